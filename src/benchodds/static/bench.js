// Only comfort lives here: the page works without it.
"use strict";
(() => {
  const job = document.body.dataset.job;

  // One more field as soon as the last kick is filled in, and the best of them shown.
  document.querySelectorAll(".kicks[data-kicks='1']").forEach((kicks) => {
    const best = kicks.closest("fieldset").querySelector(".best");
    const show = () => {
      const fields = [...kicks.querySelectorAll("input")];
      const numbers = fields.map((f) => parseFloat(f.value.replace(",", "."))).filter((n) => !isNaN(n));
      best.textContent = numbers.length > 1 ? kicks.dataset.best.replace("{n}", numbers.length).replace("{best}", Math.max(...numbers)) : "";
      if (fields[fields.length - 1].value && fields.length < 20) {
        const more = fields[0].cloneNode();
        more.value = "";
        more.setAttribute("aria-label", kicks.dataset.another);
        more.removeAttribute("aria-invalid");
        kicks.append(more);
      }
    };
    kicks.addEventListener("input", show);
    show();
  });
  if (!job) return;

  // A reading is kept here until the bench has it: nothing is lost when the connection is.
  const shelf = "bench-waiting-" + job;
  const waiting = document.getElementById("waiting");
  const kept = () => JSON.parse(localStorage.getItem(shelf) || "[]");
  const keep = (list) => {
    localStorage.setItem(shelf, JSON.stringify(list));
    waiting.hidden = list.length === 0;
    waiting.textContent = (list.length === 1 ? waiting.dataset.one : waiting.dataset.many).replace("{n}", list.length);
  };
  let busy = false;
  const send = async () => {
    if (busy) return;
    busy = true;
    try {
      let list = kept();
      while (list.length) {
        const answer = await fetch(list[0].to, { method: "POST", body: new URLSearchParams(list[0].body), headers: { Accept: "application/json" }, credentials: "same-origin" });
        list = list.slice(1);
        keep(list);
        if (answer.ok) continue;
        document.open();
        document.write(await answer.text());
        document.close();
        return;
      }
      location.assign("/job/" + encodeURIComponent(job));
    } catch (lost) {
      keep(kept());
    } finally {
      busy = false;
    }
  };
  document.querySelectorAll("form[data-keep]").forEach((form) =>
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const data = new FormData(form, event.submitter);
      const uid = data.get("uid");
      const list = kept();
      if (!list.some((x) => x.uid === uid)) keep([...list, { uid, to: form.action, body: [...data.entries()] }]);
      send();
    })
  );
  addEventListener("online", () => kept().length && send());
  if (kept().length) { keep(kept()); send(); }

  // News from another device.
  setInterval(async () => {
    try {
      const answer = await fetch("/job/" + encodeURIComponent(job) + "/state", { credentials: "same-origin" });
      const state = await answer.json();
      document.getElementById("news").hidden = state.events === Number(document.body.dataset.events);
      if (kept().length) send();
    } catch (lost) { /* asked again in a moment */ }
  }, 4000);
})();
