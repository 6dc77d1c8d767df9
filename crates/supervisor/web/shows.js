// The recorded shows: what each came to, its report, and how drift, fitness and alarms went over a tour.

import { ask } from "./ask.js";
import { byId, el, keyed, mark, say, shape, show, svg } from "./dom.js";
import { frame } from "./frame.js";
import { dayOf, lasting } from "./words.js";

/** @typedef {import("./types").ShowLine} ShowLine */
/** @typedef {import("./types").ShowFigures} ShowFigures */
/** @typedef {{key: string, name: string, text: string, values: (number | null)[]}} Trend */

/** So many shows are looked into at a time: each is read from its record. */
const MANY = 20;
/** The shape beside the sentence. @type {Record<string, string>} */
const HELD = { held: "good", "by-changeover": "abnormal", no: "danger", unknown: "neutral" };

/** A long tour on a slow disk takes its time. */
const READING_MS = 30_000;
/** @type {ShowLine[]} */ let lines = [];
let shown = 0;
/** @type {Map<string, ShowFigures | null>} `null`: it cannot be read. */
const figures = new Map();

frame();
byId("older").addEventListener("click", () => void more());
void begin();

async function begin() {
  const { ok, said, text } = await ask("shows", { within: READING_MS });
  if (!ok) return say(byId("shows-said"), `The list of shows cannot be had: ${text}`);
  lines = said;
  show(byId("shows-none"), lines.length === 0);
  await more();
}

/** One show after another, so that the list stands at once and fills while it is read. */
async function more() {
  const next = lines.slice(shown, shown + MANY);
  shown += next.length;
  render();
  for (const [i, line] of next.entries()) {
    if (line.error) continue;
    say(byId("shows-said"), `Reading show ${i + 1} of ${next.length}.`);
    const { ok, said } = await ask(`shows/${line.id}`, { within: READING_MS });
    figures.set(line.id, ok ? said : null);
    render();
  }
  say(byId("shows-said"), "");
}

function render() {
  show(byId("older"), shown < lines.length);
  keyed(byId("shows"), lines.slice(0, shown), (l) => `${l.id}-${l.started_wall_ns}-${l.error}`, make, update);
  const known = lines.slice(0, shown).map((l) => figures.get(l.id)).filter((f) => !!f && f.songs > 0).reverse();
  const all = known.length > 1 ? trends(/** @type {ShowFigures[]} */ (known)) : [];
  show(byId("trends"), all.length > 0);
  keyed(byId("trend-list"), all, (t) => t.key, () => el("li", {}, el("h3"), el("p"), el("div", { class: "strip" })), (li, t) => {
    say(li.children[0], t.name);
    say(li.children[1], t.text);
    strip(li.children[2], t.values);
  });
}

/** @param {ShowLine} l */
function make(l) {
  const links = el("p", { class: "row" });
  if (!l.error) for (const [end, word] of [["html", "Report"], ["pdf", "as PDF"]]) {
    links.append(el("a", { class: "plain", href: `/api/v1/shows/${l.id}/report.${end}`, "aria-label": `${word}: ${nameOf(l)}` }, word));
  }
  return el("li", {}, el("h3"), el("p", { class: "dim" }), el("p", { class: "figure" }, el("span", { class: "shape" }), el("span")), el("p"), links);
}

/** @param {ShowLine} l */
const nameOf = (l) => l.label || l.title || "Unnamed show";

/** @param {HTMLElement} li @param {ShowLine} l */
function update(li, l) {
  const [name, when, verdict, facts] = li.children;
  say(name, nameOf(l));
  const long = l.length_ns === null ? "" : `, ${lasting(l.length_ns / 1e6)} long`;
  say(when, l.started_wall_ns === null ? "It is not known when it began." : `${dayOf(l.started_wall_ns)}${long}`);
  const f = figures.get(l.id);
  const unread = l.error || f === null;
  show(verdict, !!f || !!unread);
  shape(verdict.children[0], unread ? "danger" : HELD[f?.held ?? ""] ?? "neutral");
  say(verdict.children[1], unread ? `It cannot be read${l.error ? `: ${l.error}` : ""}.` : f?.sentence ?? "");
  say(facts, f ? [alarms(f), ...f.machines.filter((m) => m.dropouts).map((m) => `dropouts of ${m.name}: ${m.dropouts}`)].join(", ") : "");
}

/** @param {number} part */
const percent = (part) => `${(100 * part).toFixed(part < 0.9995 && part > 0.95 ? 1 : 0)} %`;
/** @param {ShowFigures} f */
function alarms(f) {
  const { high, medium, low } = f.alarms;
  return high + medium + low ? `Alarms: ${high} high, ${medium} medium, ${low} low` : "No alarms";
}

/** Oldest first. A machine's history follows its hardware. @param {ShowFigures[]} shows @returns {Trend[]} */
function trends(shows) {
  const names = new Map(shows.flatMap((f) => f.machines).map((m) => [m.id, m.name]));
  const of = (/** @type {string} */ id) => shows.map((f) => f.machines.find((m) => m.id === id) ?? null);
  /** @type {Trend[]} */
  const all = [];
  for (const [id, name] of names) {
    const drift = of(id).map((m) => m?.drift_ppm ?? null);
    if (drift.some((d) => d !== null)) all.push({ key: `drift ${id}`, name: `Drift of ${name}`, text: course(drift, (d) => `${d.toFixed(1)} ppm`), values: drift });
  }
  const fit = shows.map((f) => f.fit);
  if (fit.some((x) => x !== null)) all.push({ key: "fit", name: "Playing time with a standby", text: course(fit, percent), values: fit });
  for (const [id, name] of names) {
    const count = of(id).map((m) => m ? m.alarms + m.dropouts : null);
    if (count.some((c) => c)) all.push({ key: `alarms ${id}`, name: `Alarms and dropouts of ${name}`, text: course(count, String), values: count });
  }
  return all;
}

/** The last show beside those before it. @param {(number | null)[]} values @param {(n: number) => string} word */
function course(values, word) {
  const last = values.at(-1) ?? null;
  const before = values.slice(0, -1).filter((v) => v !== null).sort((a, b) => a - b);
  const now = last === null ? "not known in the last show" : `${word(last)} in the last show`;
  if (!before.length) return `${now}.`;
  return `${now}; before, from ${word(before[0])} to ${word(before[before.length - 1])}, half of them at most ${word(before[before.length >> 1])}.`;
}

/** A column a show, oldest on the left; what is not known has a hole. The words beside it say the same. @param {Element} box @param {(number | null)[]} values */
function strip(box, values) {
  const is = values.join();
  if (box.getAttribute("data-of") === is) return;
  mark(box, "data-of", is);
  const known = values.filter((v) => v !== null);
  const [low, high] = [Math.min(0, ...known), Math.max(0, ...known)];
  const y = (/** @type {number} */ v) => 38 - 36 * (high > low ? (v - low) / (high - low) : 0);
  const picture = svg("svg", { viewBox: `0 0 ${values.length * 10} 40`, preserveAspectRatio: "none", "aria-hidden": "true" });
  values.forEach((v, i) => {
    if (v === null) return;
    const [a, b] = [y(Math.max(0, v)), y(Math.min(0, v))];
    picture.append(svg("rect", { x: String(i * 10 + 2), y: String(a), width: "6", height: String(Math.max(1, b - a)), class: i === values.length - 1 ? "last" : "" }));
  });
  picture.append(svg("path", { d: `M0 ${y(0)}H${values.length * 10}`, class: "zero", "vector-effect": "non-scaling-stroke" }));
  box.replaceChildren(picture);
}
