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

  // News from another device.
  setInterval(async () => {
    try {
      const answer = await fetch("/job/" + encodeURIComponent(job) + "/state", { credentials: "same-origin" });
      const state = await answer.json();
      document.getElementById("news").hidden = state.events === Number(document.body.dataset.events);
    } catch (lost) { /* asked again in a moment */ }
  }, 4000);
})();
