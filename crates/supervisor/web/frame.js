// What every page has round its content: the line's state, the show's title and clock, and who this device is.

import { ask } from "./ask.js";
import { byId, mark, say, show } from "./dom.js";
import { Link, deviceName, nameDevice } from "./link.js";
import { lasting, timeOfDay } from "./words.js";

/** Whether this device may act; `null` until the supervisor has said so. @type {{operator: boolean | null, passphrase: boolean}} */
export const rights = { operator: null, passphrase: false };

/** @returns {Link} */
export function frame() {
  const link = new Link();
  link.onSnapshot((s, first) => {
    say(byId("title"), s.title || "No show open");
    say(byId("clock"), timeOfDay(s.wall_ns));
    if (first) void askRights();
  });
  link.onTick((state) => banner(link, state));
  device();
  void askRights();
  link.start();
  keepAwake();
  return link;
}

/** @param {Link} link @param {import("./link.js").LineState} state */
function banner(link, state) {
  const old = state === "lost" || state === "mute";
  mark(document.body, "data-line", state);
  show(byId("lost"), old);
  if (!old) return;
  say(byId("lost-what"), state === "mute" ? "THE SUPERVISOR DOES NOT ANSWER" : "NO CONNECTION");
  const s = link.snapshot;
  say(byId("lost-since"), s
    ? `for ${lasting(link.age())}. What you see is from ${timeOfDay(s.wall_ns)}.`
    : "to the supervisor yet. Trying again all the time.");
}

async function askRights() {
  // When no answer comes the banner says that the line is gone; rights stay as they were.
  const { ok, said } = await ask("session");
  if (ok) {
    rights.operator = said.role === "operator";
    rights.passphrase = said.passphrase;
  }
  mark(document.body, "data-role", rights.operator === false ? "reader" : "operator");
  nameButton();
}

function nameButton() {
  say(byId("me"), `${deviceName() || "Unnamed device"}${rights.operator === false ? ", looking on" : ""}`);
  mark(byId("me"), "aria-label", `This device: ${byId("me").textContent}. Change`);
}

export function openDevice() {
  const dialog = /** @type {HTMLDialogElement} */ (byId("me-dialog"));
  show(byId("me-pass"), rights.operator === false && rights.passphrase);
  /** @type {HTMLInputElement} */ (byId("me-name")).value = deviceName();
  say(byId("me-said"), "");
  dialog.showModal();
}

function device() {
  const dialog = /** @type {HTMLDialogElement} */ (byId("me-dialog"));
  const word = /** @type {HTMLInputElement} */ (byId("me-word"));
  nameButton();
  byId("me").addEventListener("click", openDevice);
  byId("me-close").addEventListener("click", () => dialog.close());
  byId("me-form").addEventListener("submit", async (e) => {
    e.preventDefault();
    nameDevice(/** @type {HTMLInputElement} */ (byId("me-name")).value);
    nameButton();
    if (!word.value || byId("me-pass").hidden) return dialog.close();
    say(byId("me-said"), "Checking.");
    // Guesses of others may be waiting in front of this one.
    const { ok, text } = await ask("session", { method: "POST", body: { passphrase: word.value }, within: 15_000 });
    if (!ok) return say(byId("me-said"), text);
    word.value = "";
    await askRights();
    dialog.close();
  });
}

/** A screen that goes dark in the middle of a song is no help. */
function keepAwake() {
  const ask = () => {
    if (document.visibilityState === "visible") navigator.wakeLock?.request("screen").catch(() => undefined);
  };
  ask();
  document.addEventListener("visibilitychange", ask);
}
