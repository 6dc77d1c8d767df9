// What tonight's record says of one machine, newest first: folded away, and asked for only while it is open.

import { ask } from "./ask.js";
import { el, say, show } from "./dom.js";
import { timeOfDay } from "./words.js";

/** @typedef {import("./types").MachineHistory} MachineHistory */

/** @param {string} letter @param {import("./link.js").Link} link */
export function historyPart(letter, link) {
  const said = el("p", { role: "status" });
  const list = el("ol", { class: "happened", tabindex: "0", "aria-label": `What happened to ${letter} tonight, newest first` });
  const node = /** @type {HTMLDetailsElement} */ (el("details", { class: "history" }, el("summary", {}, el("span", {}, `What happened to ${letter} tonight`)), said, list));
  let newest = -1;
  let asked = 0;
  const load = async () => {
    const turn = ++asked;
    const { ok, said: told, text } = await ask(`machines/${letter}/history`);
    if (turn !== asked) return;
    /** @type {MachineHistory["events"]} */
    const events = ok ? told.events : [];
    list.replaceChildren(...events.map((e) => el("li", {}, el("time", {}, timeOfDay(e.at_wall_ns)), el("span", {}, e.text))));
    show(list, events.length > 0);
    const which = told?.more ? `The newest ${events.length}; the report has all.` : events.length ? "" : "Nothing yet.";
    say(said, ok ? which : text);
  };
  node.addEventListener("toggle", () => { if (node.open) void load(); });
  link.onSnapshot((s, first) => {
    const event = s.events[0]?.id ?? -1;
    if (node.open && (first || event !== newest)) void load();
    newest = event;
  });
  return node;
}
