// The line to the supervisor: snapshots in, acts out, and the honest answer to "is what I see still true?".
//
// Two clocks meet here and are never mixed: the supervisor's (`*_ns` fields) and this browser's (`performance.now()`).
// Their difference is learnt from arrivals: the smallest of the last 50 is the one that waited least on the way. With it
// the supervisor's present can be told between snapshots; nothing else is ever converted.

import { ask } from "./ask.js";

/** @typedef {import("./types").Snapshot} Snapshot */
/** @typedef {"connecting" | "live" | "mute" | "lost"} LineState */

/** Without a snapshot for this long, what is shown is called old. Snapshots come ten times a second. */
const LOST_AFTER_MS = 700;
/** A connection on which nothing at all comes is given up: a cable may be out without anybody having said so. */
const GIVE_UP_AFTER_MS = 2500;
const AGAIN_AFTER_MS = 300;
/** Acts that arrive later than this are refused by the supervisor: a press must not take effect when nobody expects it any more. */
const ACT_WITHIN_MS = 2500;

export class Link {
  /** @type {Snapshot | null} */ snapshot = null;
  /** @type {LineState} */ state = "connecting";
  /** When the newest snapshot came, on the browser's clock. */
  heardAt = performance.now();
  /** @type {EventSource | null} */ #source = null;
  #anythingAt = performance.now();
  #speaksAt = -Infinity;
  /** @type {number[]} */ #differences = [];
  /** @type {((s: Snapshot, first: boolean) => void)[]} */ #onSnapshot = [];
  /** @type {((state: LineState) => void)[]} */ #onTick = [];

  /** @param {(s: Snapshot, first: boolean) => void} f `first`: after a break or a restart */
  onSnapshot(f) { this.#onSnapshot.push(f); }
  /** Called ten times a second and at each change of state. @param {(state: LineState) => void} f */
  onTick(f) { this.#onTick.push(f); }

  start() {
    this.#open();
    setInterval(() => this.#tick(), 100);
    addEventListener("pageshow", (e) => { if (e.persisted) this.#open(); });
    addEventListener("pagehide", () => this.#source?.close());
    addEventListener("online", () => this.#open());
  }

  /** The supervisor's monotonic clock now, in ns; exact only to a network delay. */
  now() {
    return this.#differences.length ? (performance.now() - Math.min(...this.#differences)) * 1e6 : 0;
  }

  /** How old the newest snapshot is, in ms. */
  age() { return performance.now() - this.heardAt; }

  /** Whether a figure still counts: it has not expired, and the line lives. @param {{expires: number} | null | undefined} reading */
  fresh(reading) { return !!reading && this.state === "live" && this.now() < reading.expires; }

  #open() {
    this.#source?.close();
    this.#anythingAt = performance.now();
    const source = new EventSource("/api/v1/events");
    this.#source = source;
    source.addEventListener("snapshot", (e) => this.#receive(JSON.parse(e.data)));
    source.addEventListener("silent", () => { this.#speaksAt = this.#anythingAt = performance.now(); });
    source.onerror = () => {
      source.close();
      setTimeout(() => { if (this.#source === source) this.#open(); }, AGAIN_AFTER_MS);
    };
  }

  /** @param {Snapshot} s */
  #receive(s) {
    const here = performance.now();
    const difference = here - s.now_ns / 1e6;
    const before = this.snapshot;
    const last = this.#differences.at(-1);
    // A restart, a sleep or another computer: the old difference says nothing any more.
    if (before?.epoch !== s.epoch || (last !== undefined && Math.abs(difference - last) > 1000)) this.#differences = [];
    this.#differences.push(difference);
    if (this.#differences.length > 50) this.#differences.shift();
    const first = this.state !== "live" || before?.epoch !== s.epoch;
    this.snapshot = s;
    this.heardAt = this.#anythingAt = here;
    this.#turn("live");
    for (const f of this.#onSnapshot) f(s, first);
  }

  #tick() {
    const here = performance.now();
    if (here - this.#anythingAt > GIVE_UP_AFTER_MS) this.#open();
    if (here - this.heardAt > LOST_AFTER_MS) this.#turn(here - this.#speaksAt < LOST_AFTER_MS ? "mute" : "lost");
    for (const f of this.#onTick) f(this.state);
  }

  /** @param {LineState} state */
  #turn(state) {
    if (this.state === state) return;
    this.state = state;
    for (const f of this.#onTick) f(state);
  }

  /**
   * Hands over a person's act. Resolves always: what could not be sent is said, not thrown.
   * @param {Record<string, unknown>} what
   * @returns {Promise<{outcome: string, text: string, can_force?: boolean}>}
   */
  async act(what) {
    const before = this.snapshot ? Math.round(this.now() + ACT_WITHIN_MS * 1e6) : null;
    const body = { by: deviceName(), before_ns: before, do: what };
    const { ok, status, said, text } = await ask("act", { method: "POST", body, within: ACT_WITHIN_MS + 500 });
    if (ok) return said;
    return { outcome: "failed", text: status ? text : "No answer from the supervisor: it is not known whether this arrived." };
  }
}

/** The name that this device has given itself; empty when none. */
export function deviceName() {
  try { return localStorage.getItem("twinkeel-name") ?? ""; } catch { return ""; }
}

/** @param {string} name */
export function nameDevice(name) {
  try { localStorage.setItem("twinkeel-name", name.trim().slice(0, 32)); } catch { /* private window: the name lasts as long as the page */ }
}
