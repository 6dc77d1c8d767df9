// A machine's channels: what is amiss with them, and folded away each with true peak, clips and how it sounds against the first machine's.

import { el, keyed, mark, say, shape, show } from "./dom.js";
import { milliseconds, timeOfDay } from "./words.js";

/** @typedef {import("./types").HeardChannel} HeardChannel */

/** A mean this far from zero is worth a word. */
const DC = 0.01;
/** Nearer than this are two levels the same (dB). */
const SAME_DB = 0.1;

/** The parts of a card: findings that nobody should have to look for, and the list. */
export function channelParts() {
  return [
    el("ul", { class: "facts", "data-part": "findings", "aria-label": "What the channels sound like" }),
    el("details", { class: "channels", "data-part": "channels" }, el("summary", {}, el("span", { "data-part": "channels-said" })), el("ul", { class: "facts" })),
  ];
}

/**
 * @param {Element} node @param {import("./types").MachineView} m @param {import("./link.js").Link} link
 * @param {(node: Element, name: string) => HTMLElement} part
 */
export function channels(node, m, link, part) {
  const all = m.channels ?? [];
  const findings = all.filter((c) => c.against?.tone === "abnormal");
  keyed(part(node, "findings"), findings, (c) => c.name, () => el("li", {}, el("span", { class: "shape" }), el("span")), (li, c) => {
    shape(li.children[0], "abnormal");
    say(li.children[1], against(c, link));
  });
  show(part(node, "findings"), findings.length > 0);
  const list = part(node, "channels");
  show(list, all.length > 0);
  say(part(node, "channels-said"), summary(all));
  // What is folded away costs nothing.
  if (!(/** @type {HTMLDetailsElement} */ (list).open)) return;
  keyed(list.children[1], all, (c) => c.name, () => el("li", {}, el("span", { class: "shape" }), el("span", {}, el("b"), el("span"), el("span", { class: "against" }))), (li, c) => {
    const clipped = !!c.meters && c.meters.value.clipped > 0;
    shape(li.children[0], clipped ? "abnormal" : c.against?.tone ?? "neutral");
    const [name, read, like] = li.children[1].children;
    say(name, c.name);
    say(read, meters(c, link));
    say(like, c.against ? against(c, link) : "");
    mark(li, "data-compared-long-ago", String(isOld(c, link)));
  });
}

/** @param {HeardChannel[]} all */
function summary(all) {
  const highest = all.reduce((a, c) => Math.max(a, c.meters?.value.highest_dbtp ?? -Infinity), -Infinity);
  const clipped = all.filter((c) => c.meters && c.meters.value.clipped > 0).length;
  const said = [
    all.length === 1 ? "1 channel" : `${all.length} channels`,
    Number.isFinite(highest) && `highest true peak ${decibels(highest)} dBTP`,
    clipped > 0 && `${clipped} clipped`,
  ];
  return said.filter(Boolean).join(", ");
}

/** @param {HeardChannel} c @param {import("./link.js").Link} link */
function meters(c, link) {
  if (!c.meters) return "no meters";
  const r = c.meters.value;
  const now = !link.fresh(c.meters) ? "true peak not known now" : r.true_peak_dbtp === null ? "silent" : `true peak ${decibels(r.true_peak_dbtp)} dBTP`;
  const since = timeOfDay(r.since_wall_ns).slice(0, 5);
  const last = r.last_clip_wall_ns === null ? "" : `, the last at ${timeOfDay(r.last_clip_wall_ns)}`;
  return [
    now,
    r.highest_dbtp !== null && `highest ${decibels(r.highest_dbtp)}`,
    r.clipped ? `${r.clipped} ${r.clipped === 1 ? "sample" : "samples"} clipped since ${since}${last}` : `none clipped since ${since}`,
    Math.abs(r.dc) >= DC && `DC ${(r.dc * 100).toFixed(1)} %`,
  ].filter(Boolean).join("; ");
}

/** A finding, with what was measured, and since when nothing was. @param {HeardChannel} c @param {import("./link.js").Link} link */
function against(c, link) {
  const a = c.against;
  if (!a) return "";
  const old = isOld(c, link);
  const measured = old ? [] : [
    a.lag_ms !== null && Math.abs(a.lag_ms) >= 0.05 && `${milliseconds(a.lag_ms)} ${a.lag_ms > 0 ? "behind" : "ahead"}`,
    a.level_db !== null && Math.abs(a.level_db) >= SAME_DB && `${Math.abs(a.level_db).toFixed(1)} dB ${a.level_db > 0 ? "louder" : "softer"}`,
  ].filter(Boolean);
  const figures = measured.length ? ` (${measured.join(", ")})` : "";
  const since = old && a.compared_wall_ns !== null ? ` Not compared since ${timeOfDay(a.compared_wall_ns).slice(0, 5)}.` : "";
  return `${a.text.replace(/\.$/, "")}${figures}.${since}`;
}

/** @param {HeardChannel} c @param {import("./link.js").Link} link */
const isOld = (c, link) => !!c.against && c.against.compared_ns !== null && link.now() >= c.against.expires_ns;

/** With a true minus sign. @param {number} db */
const decibels = (db) => (db < 0 ? `−${(-db).toFixed(1)}` : db.toFixed(1));
