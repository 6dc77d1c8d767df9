// Figures into words. The supervisor makes the sentences; here are only numbers, times and the names of states.

/** @typedef {import("./types").Snapshot} Snapshot */

/** Nanoseconds as "1:23" or "1:02:03". @param {number} ns */
export function clockOf(ns) {
  const s = Math.max(0, Math.floor(ns / 1e9));
  const two = (/** @type {number} */ n) => String(n).padStart(2, "0");
  const [h, m] = [Math.floor(s / 3600), Math.floor(s / 60) % 60];
  return h ? `${h}:${two(m)}:${two(s % 60)}` : `${m}:${two(s % 60)}`;
}

/** The supervisor's wall clock in this browser's time zone. @param {number} wallNs */
export function timeOfDay(wallNs) {
  return new Date(wallNs / 1e6).toLocaleTimeString("en-GB");
}

/** A day and the time of it, in this browser's time zone. @param {number} wallNs */
export function dayOf(wallNs) {
  return new Date(wallNs / 1e6).toLocaleString("en-GB", { dateStyle: "medium", timeStyle: "short" });
}

/** A length of time for "for ..." and "... old". @param {number} ms */
export function lasting(ms) {
  const s = Math.max(0, ms / 1000);
  if (s < 10) return `${s.toFixed(1)} s`;
  if (s < 90) return `${Math.round(s)} s`;
  if (s < 5400) return `${Math.round(s / 60)} min`;
  return `${Math.round(s / 3600)} h`;
}

/** @param {number} ms */
export function milliseconds(ms) {
  const a = Math.abs(ms);
  return `${a < 10 ? a.toFixed(1) : Math.round(a)} ms`;
}

/** @param {number | null} db */
export function level(db) {
  return db === null ? "silent" : `${Math.round(db)} dBFS`;
}

/** What a changeover would sound like. @param {import("./types").Takeover} t */
export function costOf(t) {
  const parts = [];
  if (t.jump_ms !== null) {
    const way = Math.abs(t.jump_ms) < 0.05 ? "no jump" : `jump of ${milliseconds(t.jump_ms)} ${t.jump_ms > 0 ? "forward" : "back"}`;
    parts.push(t.jump_samples === null ? way : `${way} (${Math.round(Math.abs(t.jump_samples))} samples)`);
  }
  if (t.level_db !== null) parts.push(Math.abs(t.level_db) < 0.1 ? "same level" : `level ${t.level_db > 0 ? "up" : "down"} ${Math.abs(t.level_db).toFixed(1)} dB`);
  return parts.join(", ");
}

/** @type {Record<string, string>} */
export const FITNESS = { fit: "fit", degraded: "degraded", unfit: "unfit", unknown: "not known" };
/** @type {Record<string, string>} */
export const FITNESS_TONE = { fit: "good", degraded: "abnormal", unfit: "danger", unknown: "neutral" };
/** @type {Record<string, string>} */
export const ROLE = { "on-air": "ON AIR", standby: "standby", "out-of-service": "out of service", unknown: "role not known" };
/** @type {Record<string, string>} */
export const HEARD = {
  never: "never heard yet", well: "heard well", "one-path": "heard on one path only", silent: "silent on every path",
  "agent-lost": "agent lost, host answers", goodbye: "agent said goodbye",
};
/** Where no agent runs, and the supervisor's own inputs hear a machine. @type {Record<string, string>} */
export const HEARD_OUTSIDE = {
  never: "the supervisor's input is not open yet", well: "by the supervisor's own input", "agent-lost": "the supervisor's input is lost",
};
/** @type {Record<string, string>} */
export const HEARD_TONE = { never: "neutral", well: "good", "one-path": "abnormal", silent: "danger", "agent-lost": "abnormal", goodbye: "neutral" };
/** @type {Record<string, string>} */
export const PLAYER = { unknown: "not known", running: "running", gone: "gone" };
/** @type {Record<string, string>} */
export const PLAYER_TONE = { unknown: "neutral", running: "good", gone: "danger" };
/** @type {Record<string, string>} */
export const AUDIO = {
  unknown: "no ears", sounding: "sounding", quiet: "quiet", silent: "fell silent", ceased: "ceased", wrong: "noise, DC or garbage",
};
/** @type {Record<string, string>} */
export const AUDIO_TONE = { unknown: "neutral", sounding: "good", quiet: "neutral", silent: "danger", ceased: "danger", wrong: "danger" };
/** @type {Record<string, string>} */
export const TRANSPORT = { unknown: "nothing heard", rolling: "rolling", stopped: "stopped", stalled: "stalled", lost: "source lost" };
/** @type {Record<string, string>} */
export const TRANSPORT_TONE = { unknown: "neutral", rolling: "good", stopped: "neutral", stalled: "danger", lost: "danger" };
/** @type {Record<string, string>} */
export const OUTPUT = { ready: "ready", unconfirmed: "NOT CONFIRMED", failed: "FAILED", unknown: "not known" };
/** @type {Record<string, string>} */
export const OUTPUT_TONE = { ready: "good", unconfirmed: "abnormal", failed: "danger", unknown: "neutral" };
/** @type {Record<string, string>} */
export const PRIORITY_TONE = { high: "danger", medium: "abnormal", low: "neutral" };
