// What needs a person's hand: a proposal, the latch, alarms that nobody has seen.

import { byId, el, keyed, mark, say, shape, show } from "./dom.js";
import { rights } from "./frame.js";
import { pressAndHold } from "./hold.js";
import { PRIORITY_TONE, lasting, timeOfDay } from "./words.js";

/** @typedef {import("./types").AlarmView} AlarmView */

const HOLD_MS = 700;
const SHELVES = [5, 15, 60];
/** @type {Record<string, number>} */
const WEIGHT = { high: 0, medium: 1, low: 2 };

/** @param {import("./link.js").Link} link @param {(what: Record<string, unknown>) => void} act */
export function hand(link, act) {
  const proposal = byId("proposal");
  const latch = byId("latch");
  /** Which proposal the buttons answer: fixed when shown, so that a press can't answer the next one. */
  let shown = -1;
  let known = new Set();

  const question = el("p", { class: "question" }, el("span", { class: "shape" }), el("span"));
  const yes = el("button", { type: "button", class: "yes" });
  const no = el("button", { type: "button", class: "plain" }, "No, leave it");
  yes.addEventListener("click", () => act({ act: "answer-proposal", id: shown, yes: true }));
  no.addEventListener("click", () => act({ act: "answer-proposal", id: shown, yes: false }));
  proposal.append(question, el("p", { class: "row" }, yes, no));
  shape(question.children[0], "action");

  const why = el("p", { class: "latch-text" });
  const release = el("button", { type: "button", class: "hold small", id: "release" }, el("span", { class: "fill" }), el("span"));
  pressAndHold(release, { ms: () => HOLD_MS, done: () => act({ act: "release" }), hint: (t) => say(why, t) });
  latch.append(why, release);

  link.onSnapshot((s) => {
    const p = s.proposal;
    show(proposal, !!p);
    if (p && p.id !== shown) {
      shown = p.id;
      // A button that changes its meaning under a finger must not be pressed by it.
      proposal.setAttribute("data-new", "");
      setTimeout(() => proposal.removeAttribute("data-new"), 350);
    }
    if (p) {
      say(question.children[1], p.text);
      say(yes, `Yes: ${p.to} on air`);
    }
    show(latch, !!s.latched);
    if (s.latched) {
      say(why, s.latched.text);
      mark(latch, "data-offered", String(s.latched.release_offered));
      say(release.children[1], s.latched.release_offered ? "Hold: release the latch (a good moment)" : "Hold: release the latch");
    }
    const open = s.alarms.filter((a) => a.state === "unacknowledged" || a.state === "returned-to-normal");
    const put = s.alarms.filter((a) => a.state === "acknowledged" || a.state === "shelved");
    open.sort((a, b) => WEIGHT[a.priority] - WEIGHT[b.priority] || b.since_ns - a.since_ns);
    list(byId("alarms"), open);
    list(byId("seen-list"), put);
    show(byId("seen"), put.length > 0);
    const shelved = put.filter((a) => a.state === "shelved").length;
    say(byId("seen-head"), `Seen: ${put.length - shelved}${shelved ? `, shelved: ${shelved}` : ""}`);
    show(byId("hand-none"), !p && !s.latched && !open.length);
    shake(open);
  });

  /** @param {HTMLElement} ul @param {AlarmView[]} alarms */
  const list = (ul, alarms) => keyed(ul, alarms, (a) => `${link.snapshot?.epoch}-${a.id}`, make, update);

  /** @param {AlarmView} a */
  const make = (a) => {
    const seen = el("button", { type: "button", class: "plain" }, "Seen");
    seen.addEventListener("click", () => act({ act: "acknowledge", alarm: a.id }));
    const shelf = el("details", { class: "shelf" }, el("summary", { class: "quiet" }, "Shelve"));
    for (const minutes of SHELVES) {
      const b = el("button", { type: "button", class: "plain" }, `${minutes} min`);
      b.addEventListener("click", () => { shelf.removeAttribute("open"); act({ act: "shelve", alarm: a.id, minutes }); });
      shelf.append(b);
    }
    return el("li", {}, el("span", { class: "shape" }), el("div", { class: "alarm-words" }, el("b"), el("span", { class: "dim" })), el("p", { class: "row" }, seen, shelf));
  };

  /** @param {HTMLElement} li @param {AlarmView} a */
  const update = (li, a) => {
    mark(li, "data-state", a.state);
    mark(li, "data-code", a.code);
    shape(li.children[0], a.state === "returned-to-normal" ? "neutral" : PRIORITY_TONE[a.priority]);
    const [text, more] = li.children[1].children;
    say(text, a.text);
    const said = [a.priority === "high" ? "HIGH" : a.priority, `since ${timeOfDay(a.since_wall_ns)}`];
    if (a.state === "returned-to-normal") said.push("over by itself");
    if (a.acknowledged_by) said.push(`seen by ${a.acknowledged_by}`);
    if (a.state === "shelved" && a.shelved_until_ns !== null) said.push(`shelved for ${lasting((a.shelved_until_ns - link.now()) / 1e6)} more`);
    say(more, `${said.join(", ")}.${a.advice ? ` ${a.advice}` : ""}`);
    const buttons = li.children[2].children;
    const reader = rights.operator === false;
    show(buttons[0], !reader && (a.state === "unacknowledged" || a.state === "returned-to-normal"));
    show(buttons[1], !reader && a.state !== "shelved" && a.state !== "returned-to-normal");
    const name = `Seen: ${a.text}`;
    mark(buttons[0], "aria-label", name);
    mark(buttons[1].children[0], "aria-label", `Shelve: ${a.text}`);
  };

  /** A phone in a pocket says that something urgent has come. @param {AlarmView[]} open */
  const shake = (open) => {
    const high = new Set(open.filter((a) => a.priority === "high").map((a) => a.id));
    const fresh = [...high].some((id) => !known.has(id));
    known = high;
    if (fresh && navigator.userActivation?.hasBeenActive) navigator.vibrate?.([200, 100, 200]);
  };
}
