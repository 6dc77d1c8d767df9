// The check before the show: what a person says beforehand, how it goes, and its sheet.

import { ask } from "./ask.js";
import { byId, el, keyed, mark, say, shape, show } from "./dom.js";
import { frame, openDevice, rights } from "./frame.js";
import { deviceName } from "./link.js";
import { dayOf } from "./words.js";

/** @typedef {import("./types").CheckView} CheckView */
/** @typedef {import("./types").CheckRow} CheckRow */

const IDLE_MS = 1000;
const RUNNING_MS = 250;
const FOLLOWERS = ["lighting", "video", "automation", "effects"];
/** A verdict's word and tone. @type {Record<string, [string, string]>} */
const VERDICTS = { pass: ["pass", "good"], "not-tested": ["not tested", "neutral"], warn: ["look at", "abnormal"], fail: ["FAIL", "danger"] };
/** @type {Record<string, [string, string]>} */
const OUTCOMES = { passed: ["PASSED", "good"], incomplete: ["NO PASS: INCOMPLETE", "abnormal"], failed: ["FAILED", "danger"] };

frame();
const form = /** @type {HTMLFormElement} */ (byId("check-form"));
let running = false;

const depth = () => String(new FormData(form).get("depth"));

/** What the form says, in the words of the supervisor. */
function word() {
  const said = new FormData(form);
  return {
    desk_muted: said.has("desk_muted"),
    warned: said.has("warned"),
    level: said.get("level"),
    parked: said.getAll("parked").map(String),
  };
}

/** What is still to be said. */
function lacks() {
  const w = word();
  if (depth() === "fast") return w.desk_muted ? [] : ["that the desk is muted"];
  if (depth() !== "full") return [];
  const open = FOLLOWERS.filter((f) => !w.parked.includes(f));
  return [
    ...(open.length ? [`that timecode is parked for ${open.join(", ")}`] : []),
    ...(w.warned ? [] : ["that everybody is warned"]),
    ...(w.level ? [] : ["how loud it may be"]),
  ];
}

function refreshForm() {
  show(byId("words-fast"), depth() === "fast");
  show(byId("words-full"), depth() === "full");
  const missing = lacks();
  mark(byId("begin"), "aria-disabled", String(missing.length > 0 || running));
  say(byId("begin-said"), missing.length ? `Still to be said: ${missing.join("; ")}.` : "");
}

/** @param {string} method @param {unknown} [body] */
async function request(method, body) {
  const { ok, status, said, text } = await ask("check", { method, body });
  if (!ok) return text;
  if (status === 204) return "It is asked to stop.";
  return said.outcome === "refused" ? `Refused: ${said.text}` : said.text ?? "";
}

form.addEventListener("change", refreshForm);
form.addEventListener("submit", async (e) => {
  e.preventDefault();
  if (rights.operator === false) return openDevice();
  if (running || lacks().length) return refreshForm();
  say(byId("begin-said"), "Asking.");
  const said = await request("POST", { by: deviceName(), depth: depth(), word: word() });
  // A word counts once.
  for (const box of form.querySelectorAll("fieldset.words input")) /** @type {HTMLInputElement} */ (box).checked = false;
  refreshForm();
  say(byId("begin-said"), said);
});
byId("stop").addEventListener("click", async () => say(byId("stage"), await request("DELETE")));

async function refresh() {
  // When no answer comes the banner says that the line is gone.
  const { ok, said } = await ask("check", { within: 2000 });
  if (ok) render(said);
  setTimeout(() => void refresh(), running ? RUNNING_MS : IDLE_MS);
}

/** @param {CheckView} v */
function render(v) {
  shape(byId("stands-shape"), v.valid ? "good" : "abnormal");
  say(byId("stands"), v.valid ? "Yes. The mode act may be chosen." : `No. ${v.text} The mode act needs your word.`);
  const ended = running && !v.running;
  running = !!v.running;
  show(byId("goes"), running);
  show(byId("run"), !running);
  if (v.running) {
    say(byId("stage"), `${v.running.stage}. (A ${v.running.depth} check, begun by ${v.running.by}.)`);
    show(byId("ask"), !!v.running.ask);
    say(byId("ask"), v.running.ask ?? "");
    /** @type {HTMLProgressElement} */ (byId("done")).value = v.running.done;
  }
  if (ended) refreshForm();
  show(byId("sheet"), !!v.last && !running);
  if (v.last) sheet(v.last);
}

/** @param {NonNullable<CheckView["last"]>} s */
function sheet(s) {
  const [outcome, tone] = OUTCOMES[s.outcome] ?? [s.outcome, "abnormal"];
  shape(byId("outcome-shape"), tone);
  say(byId("outcome"), outcome);
  say(byId("outcome-text"), s.text);
  say(byId("byline"), `A ${s.depth} check by ${s.by}, ${dayOf(s.at_wall_ns)}, ${Math.round(s.took_ns / 1e9)} s long.`);
  const wrong = ["fail", "warn"].flatMap((v) => s.rows.filter((r) => r.verdict === v));
  keyed(byId("wrong"), wrong, (r) => r.code, () => el("li", {}, el("h3", {}, el("span", { class: "shape" }), el("span")), el("p", { class: "figure" }), el("p", { class: "dim" }), el("p")), (li, r) => {
    const [w, t] = VERDICTS[r.verdict];
    shape(li.children[0].children[0], t);
    say(li.children[0].children[1], `${w}: ${r.title}`);
    say(li.children[1], r.limit ? `${r.measured} (limit: ${r.limit})` : r.measured);
    say(li.children[2], r.why);
    say(li.children[3], `Mend: ${r.mend}`);
  });
  show(byId("new-part"), s.new.length > 0);
  keyed(byId("new"), s.new, (n) => n, () => el("li"), (li, n) => say(li, n));
  const rest = s.rows.filter((r) => r.verdict === "pass" || r.verdict === "not-tested");
  keyed(byId("rows"), rest, (r) => r.code, () => el("tr", {}, el("th", { scope: "row" }), el("td", { class: "holds" }, el("span", { class: "shape" }), el("span")), el("td")), (row, r) => {
    const [w, t] = VERDICTS[r.verdict];
    say(row.children[0], r.title);
    shape(row.children[1].children[0], t);
    say(row.children[1].children[1], w);
    say(row.children[2], r.measured);
  });
}

refreshForm();
void refresh();
