// Changeover and mode: what a person does to the rig, and what then really happened.

import { byId, el, keyed, mark, say, shape, show } from "./dom.js";
import { openDevice, rights } from "./frame.js";
import { pressAndHold } from "./hold.js";
import { costOf } from "./words.js";

/** @typedef {import("./types").Takeover} Takeover */

const HOLD_MS = 700;
/** A forced changeover takes 1.5 s of pressing in all: the usual press first, and then this. */
const FORCE_MS = 800;
const ARMED_FOR_MS = 8000;
/** The switch answers in milliseconds; after this long without its word the page says that there is none. */
const CONFIRM_WITHIN_MS = 1500;

const MODES = /** @type {const} */ ([
  ["observe", "Observe", "log only"],
  ["propose", "Propose", "ask you"],
  ["act", "Act", "change over"],
]);

/** @param {import("./link.js").Link} link */
export function control(link) {
  /** The second step of a forced changeover, and whether it is open because the page or because the supervisor said no. @type {{to: string, until: number, refused: boolean} | null} */
  let armed = null;
  /** @type {{to: string, since: number} | null} */
  let awaiting = null;
  /** Until when a second press of "act" gives a person's word for a rig without a check that stands. */
  let wordUntil = 0;

  const tell = (/** @type {string} */ tone, /** @type {string} */ text) => {
    mark(byId("said"), "data-tone", tone);
    say(byId("said"), text);
  };

  const takeoverTo = (/** @type {string} */ to) => link.snapshot?.takeovers.find((t) => t.to === to);
  const disarm = () => {
    armed = null;
    tell("neutral", "");
  };

  /** @param {Record<string, unknown>} what */
  const act = async (what) => {
    tell("neutral", "Asking.");
    const { outcome, text, can_force } = await link.act(what);
    if (outcome === "refused") tell("abnormal", `Refused: ${text}`);
    else if (outcome === "failed") tell("danger", text);
    else tell("neutral", text);
    if (what.act === "set-mode" && outcome === "refused" && can_force) {
      wordUntil = performance.now() + ARMED_FOR_MS;
      tell("abnormal", `Refused: ${text} Hold "Act" again to give it; the record keeps it under your name.`);
    }
    if (what.act !== "changeover") return;
    const to = String(what.to);
    armed = outcome === "refused" && can_force && !what.forced ? { to, until: performance.now() + ARMED_FOR_MS, refused: true } : null;
    if (outcome === "asked" || outcome === "done") {
      awaiting = { to, since: performance.now() };
      confirm();
    }
    refresh();
  };

  /** What really happened, as the switch has it. */
  const confirm = () => {
    const s = link.snapshot;
    if (!awaiting || !s) return;
    if (s.on_air === awaiting.to && s.switch.asked === null && link.state === "live") {
      tell("good", `${awaiting.to} is on air: ${s.switch.text}`);
      awaiting = null;
    } else if (performance.now() - awaiting.since > CONFIRM_WITHIN_MS) {
      tell("danger", `NOT CONFIRMED: the switch has not said that ${awaiting.to} is on air. Listen, and look at the switch.`);
      if (performance.now() - awaiting.since > 10 * CONFIRM_WITHIN_MS) awaiting = null;
    }
  };

  const refresh = () => {
    const s = link.snapshot;
    if (!s) return;
    // No longer needed when it would go without force.
    if (armed && (performance.now() > armed.until || (!armed.refused && takeoverTo(armed.to)?.possible !== false))) disarm();
    keyed(byId("holds"), s.takeovers, (t) => t.to, make, update);
    const reader = rights.operator === false;
    show(byId("alone"), !s.takeovers.length);
    show(byId("holds"), !reader);
    show(byId("looking"), reader);
    for (const b of byId("modes").children) {
      mark(b, "aria-pressed", String(/** @type {HTMLElement} */ (b).dataset.mode === s.mode));
      mark(b, "aria-disabled", String(reader));
    }
  };

  /** @param {Takeover} t */
  const make = (t) => {
    const button = el("button", { type: "button", class: "hold", id: `hold-${t.to}`, "aria-describedby": `cost-${t.to}` },
      el("span", { class: "fill" }), el("span", { class: "shape" }), el("span", { class: "words" }));
    const leave = el("button", { type: "button", class: "quiet", hidden: true }, "Leave it");
    const node = el("div", { class: "takeover" }, button, el("p", { class: "cost", id: `cost-${t.to}` }), leave);
    leave.addEventListener("click", () => { disarm(); refresh(); button.focus(); });
    pressAndHold(button, {
      ms: () => armed?.to === t.to ? FORCE_MS : HOLD_MS,
      holding: (fraction) => {
        node.toggleAttribute("data-held", fraction > 0);
        refresh();
      },
      done: () => {
        if (armed?.to === t.to) {
          armed = null;
          void act({ act: "changeover", to: t.to, forced: true });
        } else if ((takeoverTo(t.to) ?? t).possible) void act({ act: "changeover", to: t.to, forced: false });
        else {
          armed = { to: t.to, until: performance.now() + ARMED_FOR_MS, refused: false };
          tell("danger", `Second step: press again and hold to force ${t.to} on air.`);
        }
        refresh();
      },
      hint: (text) => tell("action", text),
    });
    return node;
  };

  /** @param {HTMLElement} node @param {Takeover} t */
  const update = (node, t) => {
    const [button, cost, leave] = node.children;
    const second = armed?.to === t.to;
    const held = node.hasAttribute("data-held");
    mark(node, "data-kind", second ? "second" : t.possible ? "possible" : "force");
    shape(button.children[1], second || !t.possible ? "danger" : "action");
    say(button.children[2], second ? `Again: force ${t.to} on air` : t.possible ? `Hold: ${t.to} on air` : `Hold: force ${t.to} on air`);
    show(leave, second);
    const known = link.state === "live" && link.now() < t.expires_ns;
    const figures = known ? costOf(t) : "what you would hear is not known any more";
    if (second) say(cost, t.forced_text || figures || t.text);
    else if (held) say(cost, t.possible ? figures || t.text : `${t.text} ${t.forced_text}`);
    else say(cost, t.text);
    mark(cost, "data-old", String(!known && !second && !held));
  };

  for (const [mode, name, what] of MODES) {
    const button = el("button", { type: "button", class: "hold small mode", "data-mode": mode, "aria-pressed": "false" },
      el("span", { class: "fill" }), el("b", {}, name), el("span", { class: "what" }, what));
    pressAndHold(button, {
      ms: () => HOLD_MS,
      done: () => {
        if (link.snapshot?.mode === mode) return;
        const word = mode === "act" && performance.now() < wordUntil;
        wordUntil = 0;
        void act(word ? { act: "act-unchecked" } : { act: "set-mode", mode });
      },
      hint: (text) => tell("action", text),
    });
    byId("modes").append(button);
  }
  byId("looking-enter").addEventListener("click", openDevice);
  document.addEventListener("keydown", (e) => { if (e.key === "Escape" && armed) { disarm(); refresh(); } });
  link.onSnapshot(() => { confirm(); refresh(); });
  link.onTick(() => { confirm(); refresh(); });
  return act;
}
