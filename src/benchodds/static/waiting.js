// What is pressed is kept in this browser until the bench answers, naming it, that it is on record.
// Every entry has a key of its own in the browser's storage, so tabs need no lock: none overwrites
// another's entry, and one that two of them send is one event there, by its token.
"use strict";
(() => {
  const MARK = "benchodds/";
  const bar = document.getElementById("waiting");
  const [line, pairing] = bar.querySelectorAll("p");
  const words = bar.dataset;
  const job = document.body.dataset.job;
  let busy = false, wanted = false, typing = false, reason = "", pressed = "", shown = "";

  const read = (uid) => {
    try { return JSON.parse(localStorage.getItem(MARK + uid)); } catch (damaged) { return null; }
  };
  const keep = (entry) => localStorage.setItem(MARK + entry.uid, JSON.stringify(entry));
  const drop = (uid) => localStorage.removeItem(MARK + uid);
  const entries = () => Object.keys(localStorage)
    .filter((key) => key.startsWith(MARK))
    .map((key) => read(key.slice(MARK.length)))
    .filter((entry) => entry !== null)
    .sort((a, b) => a.n - b.n || (a.uid < b.uid ? -1 : 1));

  // ---- what the page says of it --------------------------------------------------------------

  const row = (entry) => {
    const item = bar.querySelector("template").content.cloneNode(true);
    const link = item.querySelector("a");
    item.querySelector("span").textContent = entry.say + (entry.said ? ": " + entry.said : "");
    link.hidden = !(entry.final && entry.back);
    link.href = entry.back;
    item.querySelector("button").addEventListener("click", () => {
      if (confirm(words.sure.replace("{entry}", entry.say))) drop(entry.uid);
      show();
    });
    return item;
  };
  const show = () => {
    const list = entries();
    const now = JSON.stringify([list, reason]);
    if (now === shown) return;  // nothing moves under a finger
    shown = now;
    bar.hidden = list.length === 0;
    line.textContent = (list.length === 1 ? words.one : words.many).replace("{n}", list.length) + " " + reason;
    pairing.hidden = reason !== words.pair;
    bar.querySelector("ul").replaceChildren(...list.map(row));
    document.querySelectorAll("form[data-corrects]").forEach((form) => {
      const entry = list.find((x) => x.final && x.uid === form.elements.uid.value);
      if (entry) complain(form, entry.said);
    });
  };
  const complain = (form, sentence) => {
    const wrong = document.getElementById("wrong");
    wrong.hidden = !sentence;
    wrong.textContent = sentence;
    form.querySelectorAll("[name=value], [name=hits]").forEach((field) => {
      field.removeAttribute("aria-invalid");
      if (sentence) { field.setAttribute("aria-invalid", "true"); field.setAttribute("aria-describedby", "wrong"); }
    });
  };
  // The page goes on to what is new, but never away from under somebody's typing.
  const move = (to) => {
    const news = document.getElementById("news");
    if (typing) { if (news) news.hidden = false; } else if (to) location.assign(to); else location.reload();
  };

  // ---- sending it ----------------------------------------------------------------------------

  class Waits extends Error {}
  const ask = async (to, body) => {
    const answer = await fetch(to, {
      method: body ? "POST" : "GET", body, headers: { Accept: "application/json" }, cache: "no-store",
      credentials: "same-origin", redirect: "manual", signal: AbortSignal.timeout?.(60000),
    });
    const said = await answer.json().catch(() => null);
    return { ok: answer.ok, status: answer.status, said: said?.schema === 1 ? said : {} };
  };
  const refused = ({ status, said }) =>
    new Waits(status === 401 ? words.pair : said.said || (status === 503 ? words.trouble : words.odd));

  const post = async (uid, token) => {
    const text = localStorage.getItem(MARK + uid);
    const entry = read(uid);  // as it is now: another tab may have sent or corrected it
    if (!entry || entry.final) return;
    const answer = await ask(entry.to, new URLSearchParams([...entry.body, ["uid", uid], ["turn", entry.turn], ["token", token]]));
    const named = answer.said.uid === uid;
    if (!named && answer.status !== 500) throw refused(answer);
    if (localStorage.getItem(MARK + uid) !== text) {
      wanted = true;  // corrected meanwhile: that goes next
    } else if (named && answer.ok) {
      drop(uid);
      return uid === pressed ? answer.said.go : "";
    } else {
      keep({ ...entry, said: answer.said.said || words.trouble, final: answer.status === 422 });
    }
  };
  const round = async () => {
    let to;
    try {
      if (entries().some((entry) => !entry.final)) {
        const answer = await ask("/token");
        if (!answer.ok || !answer.said.token) throw refused(answer);
        if (!answer.said.writes) throw new Waits(answer.said.said);
        for (const { uid } of entries()) {
          const on = await post(uid, answer.said.token);
          to = to || on;
        }
      }
      reason = "";
    } catch (lost) {
      reason = lost instanceof Waits ? lost.message : words.away;
    }
    show();
    if (to !== undefined) move(to);
  };
  const send = async () => {
    wanted = true;
    if (busy) return;
    busy = true;
    while (wanted) { wanted = false; await round(); }
    busy = false;
  };

  // ---- taking it from the forms --------------------------------------------------------------

  const press = (event) => {
    const form = event.target, data = new FormData(form), button = event.submitter;
    if (button?.name) data.append(button.name, button.value);
    const first = data.get("uid");
    data.delete("token");
    data.delete("uid");
    const body = [...data.entries()];
    const text = JSON.stringify(body);
    if (form.pressed !== text) form.turn = form.pressed === undefined ? 0 : form.turn + 1;
    form.pressed = text;
    // A reading pressed again with another value is corrected; anything else is one more.
    const corrects = "corrects" in form.dataset;
    const uid = corrects || !form.turn ? first : first + "." + form.turn;
    const filled = (names) => body.filter(([name, value]) => names.includes(name) && value).map(([, value]) => value);
    const said = filled(["mark"]).length ? filled(["mark"]) : filled(form.dataset.shown.split(" "));
    const to = new URL(form.action).pathname;
    try {
      keep({
        n: read(uid)?.n ?? 1 + Math.max(0, ...entries().map((entry) => entry.n)),
        uid, turn: corrects ? form.turn : 0, to, body, say: [form.dataset.say, ...said].join(" "),
        back: corrects ? to.replace(/reading$/, "").slice(0, -1) + "?test=" + encodeURIComponent(data.get("test")) : "",
      });
    } catch (full) {
      return;  // the browser has no room: the form goes as it is
    }
    event.preventDefault();
    if (corrects) complain(form, "");
    pressed = uid;
    typing = false;
    if (!bar.hidden) show();  // else soon enough if it does have to wait
    send();
  };
  // A reading that was refused stands in its form again, to be corrected.
  const fill = (form) => {
    const same = (entry, field) => entry.body.some(([name, value]) => name === field && value === form.elements[field].value);
    const entry = entries().find((x) => x.final && x.back && same(x, "of") && same(x, "test"));
    if (!entry) return;
    for (const name of new Set(entry.body.map(([name]) => name))) {
      const values = entry.body.filter((x) => x[0] === name).map((x) => x[1]);
      const fields = [...form.querySelectorAll(`[name="${name}"]:not(button)`)];
      while (fields.length && fields.length < values.length) {
        fields.push(fields[0].cloneNode());
        fields[fields.length - 2].after(fields[fields.length - 1]);
      }
      fields.slice(0, values.length).forEach((field, i) => { field.value = values[i]; });
    }
    Object.assign(form, { turn: entry.turn, pressed: JSON.stringify(entry.body) });
    form.elements.uid.value = entry.uid;
  };

  try { entries(); } catch (forbidden) { return; }  // no storage here: forms go as they are
  document.querySelectorAll("form[data-corrects]").forEach(fill);
  document.querySelectorAll("form[data-say]").forEach((form) => form.addEventListener("submit", press));
  addEventListener("input", () => { typing = true; });
  addEventListener("online", send);
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  addEventListener("storage", (event) => {
    show();
    if (event.key === MARK + pressed && event.newValue === null) move(job ? "/job/" + encodeURIComponent(job) : "");
  });
  setInterval(send, 4000);
  show();
  send();
})();
