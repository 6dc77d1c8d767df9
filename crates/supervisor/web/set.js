// Tonight's set: moved, skipped and added to by a person, without a restart.

import { byId, el, keyed, mark, say, show } from "./dom.js";
import { frame, rights } from "./frame.js";
import { pressAndHold } from "./hold.js";

/** @typedef {import("./types").SetEntry} SetEntry */

const STATES = { played: "played", now: "NOW", next: "next", "to-come": "", skipped: "skipped" };
const HOLD_MS = 700;
/** A button that has come under a finger with another meaning must not be pressed by it. */
const STILL_MS = 350;

const link = frame();
const list = byId("set");
const encore = /** @type {HTMLSelectElement} */ (byId("encore"));
/** @type {Map<string, SetEntry>} Each by its song and how often that stood before, so that rows follow their songs. */
let entries = new Map();
let order = "";

/** @param {Record<string, unknown>} what */
async function act(what) {
  say(byId("said"), "Asking.");
  const { outcome, text } = await link.act(what);
  say(byId("said"), outcome === "refused" ? `Refused: ${text}` : text);
}

/** @param {string} id @param {string} word @param {(e: SetEntry) => Record<string, unknown>} what */
function button(id, word, what) {
  const node = el("button", { type: "button", class: "plain", "data-do": id }, word);
  node.addEventListener("click", () => {
    const e = entries.get(node.closest("li")?.dataset.key ?? "");
    if (e) void act(what(e));
  });
  return node;
}

function row() {
  return el("li", {}, el("span", { class: "place" }),
    el("div", { class: "song" }, el("span", { class: "name" }), el("span", { class: "more" }, el("strong", { class: "state" }), el("span", { class: "start" }))),
    button("up", "Earlier", (e) => ({ act: "set-move", from: e.place, to: e.place - 1, song: e.number })),
    button("down", "Later", (e) => ({ act: "set-move", from: e.place, to: e.place + 1, song: e.number })),
    button("skip", "Skip", (e) => ({ act: "set-skip", place: e.place, skip: e.state !== "skipped", song: e.number })));
}

/** @param {SetEntry[]} set */
function byKey(set) {
  /** @type {Map<number, number>} */ const before = new Map();
  return new Map(set.map((e) => {
    const nth = before.get(e.number) ?? 0;
    before.set(e.number, nth + 1);
    return [`${e.number}-${nth}`, e];
  }));
}

link.onSnapshot((s) => {
  const set = s.set ?? [];
  entries = byKey(set);
  show(byId("set-none"), set.length === 0);
  const reader = rights.operator === false;
  const now = [...entries.keys()].join();
  if (order && now !== order) {
    list.setAttribute("data-new", "");
    setTimeout(() => list.removeAttribute("data-new"), STILL_MS);
  }
  order = now;
  // A node that is moved loses the focus, which belongs to the song and not to the place.
  const focused = /** @type {HTMLElement | null} */ (document.activeElement);
  keyed(list, [...entries], ([key]) => key, row, (node, [, e]) => update(node, e, set.length, reader));
  if (focused && focused !== document.activeElement) focused.focus();
  const songs = [...new Map((s.songs ?? []).map((name, i) => [i + 1, name])).entries()];
  keyed(encore, songs, ([n]) => `${n}`, ([n]) => el("option", { value: `${n}` }), (node, [, name]) => say(node, name));
  show(byId("more"), songs.length > 0);
  show(byId("restore"), songs.length > 0);
  /** @type {HTMLButtonElement} */ (byId("add")).disabled = reader;
  mark(byId("restore"), "aria-disabled", String(reader));
});

/** @param {HTMLElement} node @param {SetEntry} e @param {number} many @param {boolean} reader */
function update(node, e, many, reader) {
  const part = (/** @type {string} */ name) => /** @type {HTMLElement} */ (node.querySelector(name));
  mark(node, "data-state", e.state);
  say(part(".place"), `${e.place}.`);
  say(part(".name"), e.name);
  say(part(".state"), STATES[e.state]);
  say(part(".start"), `${STATES[e.state] ? " · " : ""}${e.start}${e.added ? ", added" : ""}`);
  for (const [id, off, word] of /** @type {const} */ ([
    ["up", e.place === 1, "Earlier"], ["down", e.place === many, "Later"], ["skip", e.state === "now", e.state === "skipped" ? "Play after all" : "Skip"],
  ])) {
    const b = /** @type {HTMLButtonElement} */ (part(`[data-do="${id}"]`));
    say(b, word);
    mark(b, "aria-label", `${word}: ${e.name}`);
    b.disabled = off || reader;
  }
}

byId("more").addEventListener("submit", (e) => {
  e.preventDefault();
  void act({ act: "set-add", song: Number(encore.value) });
});
pressAndHold(byId("restore"), { ms: () => HOLD_MS, done: () => void act({ act: "set-restore" }), hint: (t) => say(byId("said"), t) });
