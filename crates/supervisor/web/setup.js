// The first set-up: is each machine heard, does it sound on its own, does its timecode come, does the switch answer? What was heard once
// counts until the page is left.

import { byId, el, keyed, say, shape } from "./dom.js";
import { TRANSPORT } from "./words.js";

/** @typedef {import("./types").MachineView} MachineView */
/** @typedef {import("./types").Snapshot} Snapshot */
/** @typedef {{key: string, done: boolean, ask: string, heard: string}} Step */

/** A channel sounds from this peak on: above noise of converters, below any music (common practice, no source). */
const SOUNDS_DBFS = -45;
/** Another sound that begins meanwhile must not count for both. */
const ALONE_MS = 600;

/** @param {import("./link.js").Link} link */
export function setup(link) {
  const details = /** @type {HTMLDetailsElement} */ (byId("setup"));
  /** Channels that were heard while no other machine sounded. @type {Map<string, Set<string>>} */
  const alone = new Map();
  /** Sources that rolled. @type {Map<string, Set<string>>} */
  const rolled = new Map();
  /** @type {{letter: string | null, since: number}} */
  let only = { letter: null, since: 0 };
  let first = true;

  link.onSnapshot((s) => {
    if (first) details.open = s.machines.some((m) => m.link.heard === "never");
    first = false;
    const sounding = s.machines.filter((m) => channels(link, m).length > 0);
    const one = sounding.length === 1 ? sounding[0] : null;
    if ((one?.letter ?? null) !== only.letter) only = { letter: one?.letter ?? null, since: performance.now() };
    if (one && performance.now() - only.since > ALONE_MS) note(alone, one.letter, channels(link, one));
    for (const m of s.machines) note(rolled, m.letter, m.sources.filter((x) => x.state === "rolling").map((x) => x.name));
    say(byId("sounding"), sounding.length === 0 ? "Nothing sounds now." : one ? `${one.letter} sounds now, alone.` : `${sounding.map((m) => m.letter).join(" and ")} sound now.`);
    keyed(byId("steps"), steps(s, alone, rolled), (x) => x.key, () => el("li", {}, el("h3", {}, el("span", { class: "shape" }), el("span")), el("p")), (li, x) => {
      shape(li.children[0].children[0], x.done ? "good" : "action");
      say(li.children[0].children[1], x.done ? `Heard: ${x.heard}` : x.ask);
      say(li.children[1], x.done ? "" : x.heard);
    });
  });
}

/** @param {Map<string, Set<string>>} book @param {string} letter @param {string[]} names */
function note(book, letter, names) {
  const known = book.get(letter) ?? new Set();
  for (const n of names) known.add(n);
  book.set(letter, known);
}

/** Which channels of a machine sound now. @param {import("./link.js").Link} link @param {MachineView} m */
function channels(link, m) {
  const levels = link.fresh(m.levels) && m.levels ? m.levels.value : [];
  return levels.filter((l) => l.peak_dbfs !== null && l.peak_dbfs > SOUNDS_DBFS).map((l) => l.name);
}

/** @param {Snapshot} s @param {Map<string, Set<string>>} alone @param {Map<string, Set<string>>} rolled @returns {Step[]} */
function steps(s, alone, rolled) {
  /** @type {Step[]} */
  const all = [];
  for (const m of s.machines) {
    const { letter, name } = m;
    const speaks = m.link.heard !== "never";
    all.push({ key: `agent ${letter}`, done: speaks, ask: `Start the agent on ${letter}, ${name}.`, heard: speaks ? `${letter}, ${name}` : "Nothing has come from it yet: look at its agent.toml, its key and its cable." });
    const heard = [...alone.get(letter) ?? []];
    all.push({ key: `sound ${letter}`, done: heard.length > 0, ask: `Play something on ${letter}, and on no other.`, heard: heard.length ? `${letter} alone, on ${heard.join(", ")}` : "If another letter sounds instead, their cables or their files are swapped." });
    const codes = [...rolled.get(letter) ?? []];
    all.push({ key: `code ${letter}`, done: codes.length > 0, ask: `Let timecode roll on ${letter}.`, heard: codes.length ? `${letter} rolls by ${codes.join(", ")}` : m.sources.length ? `So far: ${m.sources.map((x) => `${x.name}, ${TRANSPORT[x.state] ?? x.state}`).join("; ")}.` : "No source of position has been heard." });
  }
  const known = s.on_air !== null && !s.switch.conflict;
  all.push({ key: "switch", done: known, ask: "Let the switch say what is on air.", heard: known ? `the switch is ${s.switch.text || `on ${s.on_air}`}` : s.switch.text || "It has not been asked yet." });
  return all;
}
