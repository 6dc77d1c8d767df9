// Why: the rule table as it stands, and the figures behind it.

import { ask } from "./ask.js";
import { byId, el, keyed, mark, say, shape } from "./dom.js";
import { frame } from "./frame.js";
import { switchStatus } from "./machines.js";
import { milliseconds } from "./words.js";

const EVERY_MS = 500;
const link = frame();

async function refresh() {
  // When no answer comes the banner says that the line is gone.
  const { ok, said } = await ask("why", { within: 2000 });
  if (ok) render(said);
  setTimeout(() => void refresh(), EVERY_MS);
}
void refresh();
void link;

/** @param {import("./types").Why} w */
function render(w) {
  keyed(byId("rules"), w.rules, (r) => r.id, () => el("tr", {}, el("th", { scope: "row" }), el("td", { class: "holds" }, el("span", { class: "shape" }), el("span")), el("td")), (row, r) => {
    mark(row, "data-holds", String(r.holds));
    say(row.children[0], r.id);
    shape(row.children[1].children[0], r.holds ? "action" : "neutral");
    say(row.children[1].children[1], r.holds ? "holds" : "does not");
    say(row.children[2], r.text);
  });
  keyed(byId("drifts"), w.drifts, (d) => d.against, () => el("li"), (li, d) => say(li, d.drift ? `A against ${d.against}: ${signed(d.drift.ppm)} ± ${d.drift.uncertainty_ppm.toFixed(1)} ppm` : `A against ${d.against}: not known`));
  const hints = w.drifts.flatMap((d) => (d.hints ?? []).map((h) => ({ key: `${d.against} ${h.code}`, text: h.text })));
  keyed(byId("hints"), hints, (h) => h.key, () => el("li"), (li, h) => say(li, h.text));
  byId("hints-head").hidden = byId("hints").hidden = hints.length === 0;
  keyed(byId("clocks"), w.clocks, (c) => c.machine, () => el("tr", {}, el("th", { scope: "row" }), el("td"), el("td"), el("td"), el("td")), (row, c) => {
    say(row.children[0], c.machine);
    say(row.children[1], c.clock.state);
    say(row.children[2], c.clock.bound_ms === null ? "not known" : `±${c.clock.bound_ms < 0.1 ? `${(c.clock.bound_ms * 1000).toFixed(0)} µs` : milliseconds(c.clock.bound_ms)}`);
    say(row.children[3], c.clock.skew_ppm === null ? "not known" : `${signed(c.clock.skew_ppm)} ppm`);
    say(row.children[4], String(c.beats_lost));
  });
  switchStatus(w.switch);
}

/** @param {number} n */
function signed(n) {
  return `${n < 0 ? "−" : "+"}${Math.abs(n).toFixed(1)}`;
}
