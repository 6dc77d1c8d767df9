// The rig: its machines and outputs, live, the first set-up, and the way here for a phone. Nothing is changed from here.

import { ask } from "./ask.js";
import { byId, el, keyed, mark, say, shape, show } from "./dom.js";
import { frame, openDevice, rights } from "./frame.js";
import { machines, switchStatus } from "./machines.js";
import { setup } from "./setup.js";

/** @type {Record<string, string>} */
const DOES = { answer: "says yes to a proposal", changeover: "changeover, held for 0.7 s", "forced-changeover": "forced changeover, held for 1.5 s", release: "releases the latch" };
/** A press is shown as new for so long. */
const PRESSED_NS = 3e9;

const link = frame();
machines(link, byId("machine-list"), null);
setup(link);
void addresses();
link.onSnapshot((s) => {
  switchStatus(s.switch);
  show(byId("code-cut"), !!s.code_cut);
  say(byId("code-cut"), s.code_cut?.text ?? "");
  const patches = (s.devices ?? []).flatMap((d) => [
    ...(d.channels.length === 0 ? [`${d.name}: nothing was heard for it yet`] : d.channels.map((c) => `${d.name}, ${c.text}`)),
    ...d.alarms.map((a) => a.text),
  ]);
  show(byId("patches-none"), patches.length === 0);
  keyed(byId("patches"), patches, (l) => l, () => el("li"), say);
  const buttons = s.buttons ?? [];
  show(byId("buttons-none"), buttons.length === 0);
  show(byId("buttons-try"), buttons.length > 0);
  keyed(byId("buttons"), buttons, (b) => `${b.name} ${b.place}`, () => el("li", {}, el("span", { class: "shape" }), el("span")), (li, b) => {
    const pressed = b.pressed_ns !== null && s.now_ns - b.pressed_ns < PRESSED_NS;
    mark(li, "data-pressed", String(pressed));
    shape(li.children[0], b.heard ? "good" : "danger");
    say(li.children[1], `${b.name}: ${DOES[b.does] ?? b.does}; ${pressed ? "PRESSED" : b.heard ? "heard" : "CANNOT BE HEARD"} at ${b.place}`);
  });
  const lights = s.cue_lights ?? [];
  show(byId("cue-lights"), lights.length > 0);
  keyed(byId("lights"), lights, (l) => l.name, () => el("li", {}, el("span", { class: "shape" }), el("span")), (li, l) => {
    shape(li.children[0], !l.told ? "danger" : l.lit ? "abnormal" : "good");
    say(li.children[1], `${l.name}: ${l.lit ? "LIT" : "dark"}; ${l.text}`);
  });
  const sound = s.alarm_sound;
  shape(byId("sound-shape"), sound ? (sound.ready ? "good" : "abnormal") : "neutral");
  say(byId("sound-is"), sound?.text ?? "Off: alarms are seen here and make no sound. Name an output under [alarm_sound] of rig.toml.");
  show(byId("sound-test"), !!sound);
  const lines = s.parity ?? [];
  show(byId("folders-none"), lines.length === 0);
  keyed(byId("folders"), lines, (l) => `${l.folder} ${l.machine} ${l.verdict === "stale"}`, () => el("li"), (node, l) => say(node, l.text));
});

byId("sound-test").addEventListener("click", async () => {
  if (rights.operator === false) return openDevice();
  say(byId("sound-came"), "Asking.");
  const { outcome, text } = await link.act({ act: "test-alarm-sound" });
  say(byId("sound-came"), outcome === "refused" ? `Refused: ${text}` : text);
});

/** Where a phone finds this page, with a code for its camera. Where nobody else can reach it there is nothing to show but how to mend that. */
async function addresses() {
  const { ok, said } = await ask("address");
  if (!ok) return say(byId("address-said"), "The supervisor did not say where it is found.");
  const { open, text, urls, fingerprint, tls } = said;
  say(byId("address-said"), text);
  show(byId("sealed"), !!tls);
  say(byId("sealed-said"), tls);
  show(byId("fingerprint"), !!fingerprint);
  say(byId("fingerprint-is"), fingerprint ?? "");
  if (open) byId("addresses").replaceChildren(.../** @type {string[]} */ (urls).map((url, i) => el("li", {}, el("img", { src: `/api/v1/address/${i}/qr.svg`, alt: `Code of ${url}`, width: "240", height: "240" }), el("code", {}, url))));
}
