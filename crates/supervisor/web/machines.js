// The machines, each with what it is, how fit, and why. Used by the watch page and the rig page.

import { channelParts, channels } from "./channels.js";
import { byId, el, keyed, mark, say, shape, show } from "./dom.js";
import { historyPart } from "./history.js";
import { pressAndHold } from "./hold.js";
import * as words from "./words.js";

/** @typedef {import("./types").MachineView} MachineView */

/** Levels are drawn from here up. */
const FLOOR_DBFS = -60;
const HOLD_MS = 700;

/**
 * @param {import("./link.js").Link} link @param {HTMLElement} list
 * @param {((what: Record<string, unknown>) => void) | null} act `null`: this page only shows
 */
export function machines(link, list, act) {
  link.onSnapshot((s) => keyed(list, s.machines, (m) => m.letter, (m) => card(m, act, link), (node, m) => update(node, m, link, s.machines.length)));
  link.onTick(() => {
    for (const node of list.children) {
      const m = link.snapshot?.machines.find((x) => x.letter === /** @type {HTMLElement} */ (node).dataset.key);
      mark(part(node, "levels"), "data-old", String(!link.fresh(m?.levels)));
    }
  });
}

/** @param {Element} node @param {string} name @returns {HTMLElement} */
const part = (node, name) => /** @type {HTMLElement} */ (node.querySelector(`[data-part="${name}"]`));

/** @param {MachineView} m @param {((what: Record<string, unknown>) => void) | null} act @param {import("./link.js").Link} link */
function card(m, act, link) {
  const p = (/** @type {string} */ tag, /** @type {string} */ name, /** @type {Record<string, string>} */ more = {}) => el(tag, { "data-part": name, ...more });
  const fact = (/** @type {string} */ name, /** @type {string} */ key) => [el("dt", {}, name), el("dd", {}, p("span", `${key}-shape`, { class: "shape" }), p("span", key))];
  const node = el("article", { class: "machine", "aria-labelledby": `machine-${m.letter}` },
    el("h3", { id: `machine-${m.letter}` }, el("b", { class: "letter" }, m.letter), p("span", "name", { class: "name" })),
    el("p", { class: "state" }, p("span", "shape", { class: "shape" }), p("b", "fitness"), " ", p("span", "role", { class: "role" })),
    p("ul", "reasons", { class: "reasons" }),
    el("dl", {}, ...fact("Heard", "heard"), ...fact("Player", "player"), ...fact("Sound", "audio"), ...fact("Host", "host")),
    p("ul", "sources", { class: "facts" }),
    p("div", "levels", { class: "levels", role: "img" }),
    ...channelParts(),
    historyPart(m.letter, link),
  );
  if (act) {
    const button = el("button", { type: "button", class: "hold small", "data-part": "service" }, el("span", { class: "fill" }), el("span", { "data-part": "service-text" }));
    pressAndHold(button, {
      ms: () => HOLD_MS,
      done: () => act({ act: node.dataset.out === "true" ? "back-in-service" : "out-of-service", machine: m.letter }),
      hint: (text) => say(part(node, "service-text"), text),
    });
    node.append(button);
  }
  return node;
}

/** @param {HTMLElement} node @param {MachineView} m @param {import("./link.js").Link} link @param {number} many */
function update(node, m, link, many) {
  say(part(node, "name"), m.name);
  mark(node, "data-role", m.role);
  mark(node, "data-out", String(m.role === "out-of-service"));
  const out = m.role === "out-of-service";
  shape(part(node, "shape"), out ? "neutral" : words.FITNESS_TONE[m.fitness] ?? "neutral");
  say(part(node, "fitness"), out ? "out of service" : words.FITNESS[m.fitness] ?? m.fitness);
  say(part(node, "role"), out ? m.out_of_service ?? "" : words.ROLE[m.role] ?? m.role);
  keyed(part(node, "reasons"), m.reasons, (r) => r.code, () => el("li"), (li, r) => say(li, r.text));
  fact(node, "heard", `${(m.link.outside ? words.HEARD_OUTSIDE : words.HEARD)[m.link.heard] ?? m.link.heard}${paths(m)}`, words.HEARD_TONE[m.link.heard]);
  fact(node, "player", m.link.outside ? "not known from outside" : words.PLAYER[m.player] ?? m.player, words.PLAYER_TONE[m.player]);
  fact(node, "audio", words.AUDIO[m.audio] ?? m.audio, words.AUDIO_TONE[m.audio]);
  const ills = [m.host.on_battery && "on battery", m.host.hot && "hot", m.host.disk_low && "disk nearly full", m.host.cpu_high && "processor nearly full"].filter(Boolean);
  fact(node, "host", [...ills, m.host.text].filter(Boolean).join(", ") || (m.link.outside ? "not known from outside" : "nothing known"), ills.length ? "abnormal" : m.host.text ? "good" : "neutral");
  keyed(part(node, "sources"), m.sources, (x) => x.name, () => el("li", {}, el("span", { class: "shape" }), el("span")), (li, x) => {
    shape(li.children[0], words.TRANSPORT_TONE[x.state] ?? "neutral");
    say(li.children[1], `${x.name}: ${words.TRANSPORT[x.state] ?? x.state}${x.position ? `, ${x.position}` : ""}`);
  });
  levels(part(node, "levels"), m, link);
  channels(node, m, link, part);
  const text = node.querySelector('[data-part="service-text"]');
  const label = out ? `Hold: ${m.letter} back in service` : `Hold: take ${m.letter} out of service`;
  if (text && text.getAttribute("data-label") !== label) {
    mark(text, "data-label", label);
    say(text, label);
  }
  const service = node.querySelector('[data-part="service"]');
  // The last machine and the one on air stay: taking them out is no edit but a silence.
  if (service) show(service, out || (m.role !== "on-air" && many > 1));
}

/** @param {HTMLElement} node @param {string} key @param {string} text @param {string | undefined} tone */
function fact(node, key, text, tone) {
  shape(part(node, `${key}-shape`), tone ?? "neutral");
  say(part(node, key), text);
}

/** @param {MachineView} m */
function paths(m) {
  const dead = m.link.paths.filter((p) => !p.alive);
  if (m.link.paths.length < 2) return "";
  return dead.length ? ` (${dead.map((p) => `${p.name} is silent`).join(", ")})` : `, ${m.link.paths.length} paths`;
}

/** @param {HTMLElement} box @param {MachineView} m @param {import("./link.js").Link} link */
function levels(box, m, link) {
  const all = link.fresh(m.levels) && m.levels ? m.levels.value : [];
  mark(box, "data-old", String(!all.length));
  if (!all.length && m.levels) return;
  keyed(box, all, (l) => l.name, (l) => el("div", { class: "level" }, el("span", { class: "level-name" }, l.name), el("span", { class: "bar" }, el("i"), el("u")), el("span", { class: "level-db" })), (row, l) => {
    const [rms, peak] = row.children[1].children;
    const place = (/** @type {number | null} */ db) => db === null ? 0 : Math.max(0, Math.min(1, 1 - db / FLOOR_DBFS));
    /** @type {HTMLElement} */ (rms).style.transform = `scaleX(${place(l.rms_dbfs).toFixed(3)})`;
    /** @type {HTMLElement} */ (peak).style.transform = `translateX(${(place(l.peak_dbfs) * 100).toFixed(1)}%)`;
    mark(row, "data-over", String(l.peak_dbfs !== null && l.peak_dbfs > -0.5));
    mark(row, "data-silent", String(l.peak_dbfs === null));
    say(row.children[2], l.peak_dbfs === null ? "silent" : l.peak_dbfs > -0.5 ? "FULL" : "");
  });
  mark(box, "data-many", String(all.length > 16));
  const silent = all.filter((l) => l.peak_dbfs === null).length;
  const loudest = all.reduce((a, l) => Math.max(a, l.peak_dbfs ?? -Infinity), -Infinity);
  const text = all.length ? `${all.length} channels${silent ? `, ${silent} silent` : ""}, loudest ${words.level(Number.isFinite(loudest) ? Math.round(loudest / 3) * 3 : null)}` : "No levels are known.";
  mark(box, "aria-label", text);
}

/** The switch and what commands it. @param {import("./types").SwitchStatus} s */
export function switchStatus(s) {
  say(byId("switch-said"), s.text || "Nothing is known of the switch.");
  keyed(byId("outputs"), s.outputs, (o) => o.name, () => el("li", {}, el("span", { class: "shape" }), el("span")), (li, o) => {
    shape(li.children[0], words.OUTPUT_TONE[o.state] ?? "neutral");
    say(li.children[1], `${o.name}: ${words.OUTPUT[o.state] ?? o.state}${o.text ? `, ${o.text}` : ""}`);
  });
}
