// Tonight's set: moved, skipped and added to by a person, without a restart.

import { byId, el, keyed, mark, say, show } from "./dom.js";
import { frame, rights } from "./frame.js";

/** @typedef {import("./types").SetEntry} SetEntry */

const STATES = { played: "played", now: "NOW", next: "next", "to-come": "", skipped: "skipped" };

const link = frame();
const list = byId("set");
const encore = /** @type {HTMLSelectElement} */ (byId("encore"));
/** @type {SetEntry[]} */ let set = [];

/** @param {Record<string, unknown>} what */
async function act(what) {
  say(byId("said"), "Asking.");
  const { outcome, text } = await link.act(what);
  say(byId("said"), outcome === "refused" ? `Refused: ${text}` : text);
}

/** @param {HTMLElement} row */
const entry = (row) => set.find((e) => `${e.place}` === row.dataset.key);

/** @param {string} id @param {string} word @param {(e: SetEntry) => Record<string, unknown>} what */
function button(id, word, what) {
  const node = el("button", { type: "button", class: "quiet", "data-do": id }, word);
  node.addEventListener("click", () => {
    const row = node.closest("li");
    const e = row && entry(row);
    if (e) void act(what(e));
  });
  return node;
}

function row() {
  return el("li", {}, el("span", { class: "name" }), " ", el("span", { class: "dim start" }), " ", el("strong", { class: "state" }), " ",
    button("up", "Earlier", (e) => ({ act: "set-move", from: e.place, to: e.place - 1, song: e.number })),
    button("down", "Later", (e) => ({ act: "set-move", from: e.place, to: e.place + 1, song: e.number })),
    button("skip", "Skip", (e) => ({ act: "set-skip", place: e.place, skip: e.state !== "skipped", song: e.number })));
}

link.onSnapshot((s) => {
  set = s.set ?? [];
  show(byId("set-none"), set.length === 0);
  const reader = rights.operator === false;
  keyed(list, set, (e) => `${e.place}`, row, (node, e) => {
    const part = (/** @type {string} */ name) => /** @type {HTMLElement} */ (node.querySelector(name));
    mark(node, "data-state", e.state);
    say(part(".name"), e.name);
    say(part(".start"), `${e.start}${e.added ? ", added" : ""}`);
    say(part(".state"), STATES[e.state]);
    for (const [id, off, word] of /** @type {const} */ ([
      ["up", e.place === 1, "Earlier"], ["down", e.place === set.length, "Later"], ["skip", e.state === "now", e.state === "skipped" ? "Play after all" : "Skip"],
    ])) {
      const b = /** @type {HTMLButtonElement} */ (part(`[data-do="${id}"]`));
      say(b, word);
      mark(b, "aria-label", `${word}: ${e.name}`);
      b.disabled = off || reader;
    }
  });
  const songs = [...new Map((s.songs ?? []).map((name, i) => [i + 1, name])).entries()];
  keyed(encore, songs, ([n]) => `${n}`, ([n]) => el("option", { value: `${n}` }), (node, [, name]) => say(node, name));
  for (const id of ["add", "restore"]) /** @type {HTMLButtonElement} */ (byId(id)).disabled = reader || songs.length === 0;
});
byId("add").addEventListener("click", () => void act({ act: "set-add", song: Number(encore.value) }));
byId("restore").addEventListener("click", () => void act({ act: "set-restore" }));
