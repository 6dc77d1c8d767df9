// The watch page: one sentence, who is on air, what needs a hand, then all the rest.

import { byId, el, keyed, mark, say, shape, show, svg } from "./dom.js";
import { frame } from "./frame.js";
import { control } from "./control.js";
import { hand } from "./hand.js";
import { machines } from "./machines.js";
import { offsetPicture } from "./offset.js";
import { FITNESS, FITNESS_TONE, ROLE, clockOf, timeOfDay } from "./words.js";

/** @typedef {import("./types").Snapshot} Snapshot */

const EVENTS_SHOWN = 12;
const link = frame();
const act = control(link);
hand(link, act);
machines(link, byId("machine-list"), act);
offsetPicture(link);

let announced = "";
link.onSnapshot((s) => {
  headline(s);
  flags(s);
  onAir(s);
  song(s);
  events(s);
  say(/** @type {HTMLElement} */ (document.querySelector("title")), `${s.on_air ?? "?"} on air: ${s.headline.text}`);
});
link.onTick(() => {
  mark(byId("song"), "data-old", String(!!link.snapshot?.song && !link.fresh(link.snapshot.song)));
});

/** @param {Snapshot} s */
function headline(s) {
  mark(byId("first"), "data-tone", s.headline.tone);
  shape(byId("headline-shape"), s.headline.tone);
  say(byId("headline-text"), s.headline.text);
  // Heard once for each change of meaning, not for each new figure in it.
  const meaning = `${s.epoch}-${s.headline.code}-${s.on_air}-${s.latched?.since_ns}`;
  if (meaning !== announced) {
    announced = meaning;
    say(byId("announce"), `${s.headline.text} ${s.on_air ?? "Nobody knows what"} is on air.`);
  }
}

/** What can't be overlooked. @param {Snapshot} s */
function flags(s) {
  /** @type {{key: string, tone: string, word: string, text: string}[]} */
  const all = [];
  const ready = s.machines.some((m) => m.role === "standby" && (m.fitness === "fit" || m.fitness === "degraded"));
  if (s.switch.conflict) all.push({ key: "conflict", tone: "danger", word: "SWITCH IN CONFLICT", text: s.switch.text });
  else if (s.on_air === null) all.push({ key: "unknown", tone: "danger", word: "ON AIR: NOT KNOWN", text: s.switch.text });
  if (s.on_air !== null && !ready) all.push({ key: "none", tone: "danger", word: "NO STANDBY", text: nobody(s) });
  if (s.latched) all.push({ key: "latched", tone: "abnormal", word: "UNPROTECTED", text: "Nothing more happens by itself until you release the latch." });
  keyed(byId("flags"), all, (f) => f.key, () => el("p", { class: "flag" }, el("span", { class: "shape" }), el("strong"), el("span")), (node, f) => {
    mark(node, "data-tone", f.tone);
    shape(node.children[0], f.tone);
    say(node.children[1], f.word);
    say(node.children[2], f.text);
  });
}

/** @param {Snapshot} s */
function nobody(s) {
  const others = s.machines.filter((m) => m.role !== "on-air");
  if (!others.length) return "This rig has one machine.";
  return others.map((m) => m.role === "out-of-service" ? `${m.letter} is out of service${m.out_of_service ? ` ${m.out_of_service}` : ""}.` : m.reasons[0]?.text ?? `${m.letter} is not known to be fit.`).join(" ");
}

/** The tracks that lead to the stage, and which one is set. @param {Snapshot} s */
function onAir(s) {
  keyed(byId("tracks"), s.machines, (m) => m.letter, (m) => el("li", { class: "track" }, el("b", { class: "letter" }, m.letter), el("span", { class: "track-role" }), el("span", { class: "track-fit" }, el("span", { class: "shape" }), el("span"))), (node, m) => {
    mark(node, "data-role", m.role);
    const out = m.role === "out-of-service";
    say(node.children[1], (ROLE[m.role] ?? m.role).toUpperCase());
    shape(node.children[2].children[0], out ? "neutral" : FITNESS_TONE[m.fitness] ?? "neutral");
    const reason = m.reasons[0]?.text;
    say(node.children[2].children[1], out ? m.out_of_service ?? "" : `${FITNESS[m.fitness] ?? m.fitness}${reason ? `: ${reason}` : ""}`);
  });
  rails(s);
  const asked = s.switch.asked;
  say(byId("stage-said"), asked ? `asked: ${asked}, not confirmed yet` : s.switch.text);
  mark(byId("stage"), "data-known", String(s.on_air !== null && !s.switch.conflict));
}

let railsOf = "";
/** @param {Snapshot} s */
function rails(s) {
  const is = s.machines.map((m) => m.role).join();
  if (is === railsOf) return;
  railsOf = is;
  const n = s.machines.length;
  const box = byId("rails");
  mark(box, "viewBox", `0 0 100 ${n * 100}`);
  const middle = n * 50;
  box.replaceChildren(...s.machines.map((m, i) => {
    const y = i * 100 + 50;
    const set = m.role === "on-air";
    return svg("path", {
      d: set ? `M0 ${y}H30L70 ${middle}H100` : `M0 ${y}H22`,
      class: set ? "rail set" : "rail",
      "vector-effect": "non-scaling-stroke",
    });
  }));
}

/** @param {Snapshot} s */
function song(s) {
  const body = byId("song-body");
  if (!body.firstChild) {
    body.append(el("p", { class: "song-name" }), el("p", { class: "song-left" }, el("b"), el("span")), el("p", { class: "song-at" }), el("p", { class: "song-next" }));
  }
  const [name, left, at, next] = body.children;
  const now = s.song?.value;
  say(name, now ? `${now.number}. ${now.name}` : "Between songs");
  show(left, !!now);
  show(at, !!now);
  if (now) {
    say(left.children[0], now.left_ns === null ? clockOf(now.at_ns) : clockOf(now.left_ns));
    say(left.children[1], `${now.left_ns === null ? "in" : "left"}${now.rolling ? "" : ", standing"}`);
    say(at, [now.left_ns === null ? null : `at ${clockOf(now.at_ns)}`, now.timecode, now.bar].filter(Boolean).join(" · "));
  }
  say(next, s.next ? `Next: ${s.next.number}. ${s.next.name}, ${s.next.start}` : "Nothing follows.");
}

/** @param {Snapshot} s */
function events(s) {
  keyed(byId("events"), s.events.slice(0, EVENTS_SHOWN), (e) => `${s.epoch}-${e.id}`, () => el("li", {}, el("time"), el("span", { class: "shape" }), el("span")), (node, e) => {
    say(node.children[0], timeOfDay(e.wall_ns));
    shape(node.children[1], e.tone);
    say(node.children[2], e.by ? `${e.text} (${e.by})` : e.text);
  });
}
