// The offset picture: the last 10 s, 5 min or the song, with limits, uncertainty, marks, and where it leads.
//
// Time runs to the right; the strip right of "now" is the future, where the forecast is drawn. It is only drawn again when
// a new point came or when it would have moved by a pixel, so a long window costs next to nothing.

import { ask } from "./ask.js";
import { byId, el, mark, say } from "./dom.js";
import { lasting, milliseconds } from "./words.js";

/** @typedef {import("./types").OffsetView} OffsetView */
/** @typedef {{t: number, v: number | null, b: number}} Point */

const WINDOWS = /** @type {const} */ ([["10s", "10 s"], ["5min", "5 min"], ["song", "Song"]]);
/** The heights that the picture may have (ms from zero to the edge): few, so that it seldom changes. */
const HEIGHTS = [10, 25, 60, 120, 300, 1000, 3000, 10000];
const FUTURE = 0.16;
const SHRINK_AFTER_MS = 8000;
const MOST_POINTS = 12000;
const REFETCH_MS = 30000;
/** The picture's ground. */
const GROUND = "#11151a";
/** 30 frames a second are smooth. */
const FRAME_MS = 33;

/** @param {import("./link.js").Link} link */
export function offsetPicture(link) {
  const canvas = /** @type {HTMLCanvasElement} */ (byId("picture"));
  const pen = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d", { alpha: false }));
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  let span = /** @type {"10s" | "5min" | "song"} */ ("5min");
  /** @type {Map<string, Point[]>} */ let lines = new Map();
  /** @type {import("./types").Mark[]} */ let marks = [];
  let from = 0;
  let height = HEIGHTS[1];
  let wantedSince = 0;
  let dirty = true;
  /** @type {CanvasPattern | string | null} */ let hatching = null;
  let asked = 0;
  let newestEvent = -1;
  let textAt = -Infinity;

  for (const [key, name] of WINDOWS) {
    const b = el("button", { type: "button", class: "chip", "aria-pressed": String(key === span) }, name);
    b.addEventListener("click", () => {
      span = key;
      for (const other of byId("windows").children) mark(other, "aria-pressed", String(other === b));
      void load();
    });
    byId("windows").append(b);
  }

  const load = async () => {
    const turn = ++asked;
    // When no answer comes the banner says that the line is gone.
    const { ok, said } = await ask(`history?window=${span}`);
    if (!ok || turn !== asked) return;
    /** @type {import("./types").History} */
    const h = said;
    lines = new Map(h.lines.map((l) => [l.against, l.points.map((p) => ({ t: p.at_ns / 1e6, v: p.value_ms, b: p.bound_ms ?? 0 }))]));
    marks = h.marks;
    from = h.from_ns / 1e6;
    dirty = true;
  };
  setInterval(() => { if (link.state === "live") void load(); }, REFETCH_MS);

  link.onSnapshot((s, first) => {
    const event = s.events[0]?.id ?? -1;
    if (first || event !== newestEvent) void load();
    newestEvent = event;
    for (const o of s.offsets) {
      const line = lines.get(o.against) ?? [];
      lines.set(o.against, line);
      const t = (o.now?.as_of ?? s.now_ns) / 1e6;
      if (line.length && t <= line[line.length - 1].t) continue;
      line.push({ t, v: o.now && o.now.expires > s.now_ns ? o.now.value.value_ms : null, b: o.now?.value.bound_ms ?? 0 });
      if (line.length > MOST_POINTS) line.splice(0, line.length - MOST_POINTS);
    }
    // Read out by eye, not by ear: once a second is enough for words.
    if (first || performance.now() - textAt > 1000) {
      textAt = performance.now();
      say(byId("offset-text"), s.offsets.length ? s.offsets.map(inWords).join(" ") : "No second machine to compare with.");
    }
  });
  link.onTick(() => mark(byId("offset"), "data-old", String(!!link.snapshot?.offsets.length && !link.snapshot.offsets.some((o) => link.fresh(o.now)))));

  new ResizeObserver(() => { dirty = true; }).observe(canvas);
  calm.addEventListener("change", () => { dirty = true; });
  // Asks for a frame only when the picture would have moved by a pixel: frames that show nothing new cost too.
  const next = () => {
    const perPixel = windowMs() / (Math.max(1, canvas.clientWidth) * (1 - FUTURE));
    const wait = Math.min(1000, Math.max(perPixel, calm.matches ? 500 : FRAME_MS));
    setTimeout(() => {
      if (document.hidden || !canvas.clientWidth || !(dirty || link.state === "live")) return next();
      requestAnimationFrame(() => {
        dirty = false;
        draw();
        next();
      });
    }, dirty && !calm.matches ? Math.min(wait, 100) : wait);
  };
  next();

  function windowMs() {
    if (span === "10s") return 10e3;
    if (span === "5min") return 300e3;
    return Math.max(30e3, present() - from);
  }
  /** The right edge of what is known: stands still when the line is gone. */
  function present() {
    const s = link.snapshot;
    if (!s) return 0;
    return link.state === "live" ? link.now() / 1e6 : s.now_ns / 1e6;
  }

  function draw() {
    const [w, h, dots] = [canvas.clientWidth, canvas.clientHeight, devicePixelRatio];
    if (canvas.width !== Math.round(w * dots) || canvas.height !== Math.round(h * dots)) {
      canvas.width = Math.round(w * dots);
      canvas.height = Math.round(h * dots);
    }
    pen.setTransform(dots, 0, 0, dots, 0, 0);
    pen.fillStyle = GROUND;
    pen.fillRect(0, 0, w, h);
    const s = link.snapshot;
    if (!s) return;
    const now = present();
    const length = windowMs();
    const right = w * (1 - FUTURE);
    const x = (/** @type {number} */ t) => right - ((now - t) / length) * right;
    height = chooseHeight(s, now - length);
    const y = (/** @type {number} */ v) => h / 2 - (v / height) * (h / 2 - 6);
    const size = Math.max(12, rem() * 0.85);
    pen.font = `600 ${size}px system-ui, sans-serif`;
    pen.textBaseline = "middle";
    const o = s.offsets[0];
    if (o) limits(o, w, h, y, size);
    pen.strokeStyle = "#59636e";
    rule(right, right, 0, h);
    for (const m of marks) if (m.at_ns / 1e6 > now - length) drawMark(m, x(m.at_ns / 1e6), h, size);
    s.offsets.forEach((view, i) => curve(lines.get(view.against) ?? [], i, now - length, x, y, length / right));
    if (o) forecast(o, x, y, now, length, right, w, h, size);
    scale(o, w, h, size);
  }

  /** @param {import("./types").Snapshot} s @param {number} since */
  function chooseHeight(s, since) {
    let most = 0;
    for (const line of lines.values()) for (const p of line) if (p.t >= since && p.v !== null) most = Math.max(most, Math.abs(p.v) + p.b);
    const o = s.offsets[0];
    if (o) most = Math.max(most, Math.abs(o.baseline_ms ?? 0) + o.limits.warning_ms, o.limits.changeover_ms);
    const wanted = HEIGHTS.find((v) => v >= most * 1.1) ?? HEIGHTS[HEIGHTS.length - 1];
    const here = performance.now();
    if (wanted >= height) wantedSince = here;
    // Grows at once, shrinks only when it has had no reason to be so tall for a while.
    return wanted > height || here - wantedSince > SHRINK_AFTER_MS ? wanted : height;
  }

  /** @param {number} x1 @param {number} x2 @param {number} y1 @param {number} y2 */
  function rule(x1, x2, y1, y2) {
    pen.beginPath();
    pen.moveTo(x1, y1);
    pen.lineTo(x2, y2);
    pen.stroke();
  }

  /** @param {OffsetView} o @param {number} w @param {number} h @param {(v: number) => number} y @param {number} size */
  function limits(o, w, h, y, size) {
    const far = o.limits.changeover_ms;
    for (const side of [1, -1]) {
      const edge = y(side * far);
      if (edge <= 0 || edge >= h) continue;
      hatch(0, side > 0 ? 0 : edge, w, side > 0 ? edge : h - edge);
      pen.strokeStyle = "#ff8b7d";
      pen.lineWidth = 2;
      rule(0, w, edge, edge);
      if (height < 4 * far) label(`no changeover beyond ${milliseconds(far)}`, 6, edge + side * -size * 0.8, "#ff8b7d", "left", size);
    }
    pen.setLineDash([10, 7]);
    pen.strokeStyle = "#ffd23f";
    pen.lineWidth = 1.5;
    for (const side of [1, -1]) {
      const edge = y((o.baseline_ms ?? 0) + side * o.limits.warning_ms);
      rule(0, w, edge, edge);
    }
    pen.setLineDash([]);
    const warning = y((o.baseline_ms ?? 0) + o.limits.warning_ms);
    if (height < 12 * o.limits.warning_ms && warning - y(far) > 2.6 * size) label("warning", 6, warning - size * 0.8, "#ffd23f", "left", size);
    pen.strokeStyle = "#59636e";
    pen.lineWidth = 1;
    rule(0, w, y(0), y(0));
  }

  /** Words on their own ground, so that no line runs through them.
   * @param {string} text @param {number} x @param {number} y @param {string} colour @param {"left" | "right"} align @param {number} size */
  function label(text, x, y, colour, align, size) {
    const wide = pen.measureText(text).width + 6;
    pen.fillStyle = GROUND;
    pen.fillRect(align === "left" ? x - 3 : x - wide + 3, y - size * 0.65, wide, size * 1.3);
    pen.fillStyle = colour;
    pen.textAlign = align;
    pen.fillText(text, x, y);
  }

  function makeHatching() {
    const tile = document.createElement("canvas");
    tile.width = tile.height = 14;
    const brush = /** @type {CanvasRenderingContext2D} */ (tile.getContext("2d"));
    brush.strokeStyle = "#8a2a22";
    brush.lineWidth = 2;
    for (const x of [-14, 0, 14]) { brush.moveTo(x, 14); brush.lineTo(x + 14, 0); }
    brush.stroke();
    return pen.createPattern(tile, "repeat") ?? "#8a2a22";
  }

  /** @param {number} x0 @param {number} y0 @param {number} w @param {number} h */
  function hatch(x0, y0, w, h) {
    pen.fillStyle = hatching ??= makeHatching();
    pen.fillRect(x0, y0, w, h);
  }

  /**
   * One line with its band. Points that fall on one pixel column are drawn as their extremes.
   * @param {Point[]} line @param {number} order @param {number} since @param {(t: number) => number} x @param {(v: number) => number} y @param {number} perPixel
   */
  function curve(line, order, since, x, y, perPixel) {
    /** @type {{x: number, low: number, high: number, last: number, band: number}[][]} */
    const runs = [];
    let run = null;
    let before = -Infinity;
    for (const p of line) {
      if (p.t < since - perPixel) continue;
      const gap = p.t - before > Math.max(1500, perPixel * 3);
      before = p.t;
      if (p.v === null) { run = null; continue; }
      if (!run || gap) runs.push(run = /** @type {{x: number, low: number, high: number, last: number, band: number}[]} */ ([]));
      const column = x(p.t);
      const end = run[run.length - 1];
      if (end && column - end.x < 1) {
        end.low = Math.min(end.low, p.v);
        end.high = Math.max(end.high, p.v);
        end.last = p.v;
        end.band = Math.max(end.band, p.b);
      } else run.push({ x: column, low: p.v, high: p.v, last: p.v, band: p.b });
    }
    for (const r of runs) {
      if (order === 0) {
        pen.fillStyle = "rgba(140, 190, 255, 0.28)";
        pen.beginPath();
        for (const c of r) pen.lineTo(c.x, y(c.high + c.band));
        for (let i = r.length - 1; i >= 0; i--) pen.lineTo(r[i].x, y(r[i].low - r[i].band));
        pen.fill();
      }
      pen.strokeStyle = "#f4f1e8";
      pen.lineWidth = order === 0 ? 3 : 1.5;
      pen.lineJoin = "round";
      pen.setLineDash(order === 0 ? [] : [3, 3]);
      pen.beginPath();
      for (const c of r) {
        if (c.high > c.low) { pen.lineTo(c.x, y(c.low)); pen.lineTo(c.x, y(c.high)); }
        pen.lineTo(c.x, y(c.last));
      }
      pen.stroke();
      pen.setLineDash([]);
    }
  }

  /** @param {import("./types").Mark} m @param {number} x @param {number} h @param {number} size */
  function drawMark(m, x, h, size) {
    pen.lineWidth = 1.5;
    pen.textAlign = "center";
    if (m.kind === "song-start") {
      pen.strokeStyle = "#59636e";
      pen.setLineDash([2, 4]);
      rule(x, x, h, 1);
      pen.setLineDash([]);
      return;
    }
    const colour = m.kind === "changeover" ? "#8cbeff" : m.kind === "step" ? "#ffd23f" : "#ff8b7d";
    pen.strokeStyle = pen.fillStyle = colour;
    rule(x, x, h - size * 1.6, size * 3);
    const sign = m.kind === "changeover" ? `▸${m.machine ?? ""}` : m.kind === "step" ? "▲" : "✕";
    pen.fillText(sign, x, size * 2.3);
  }

  /**
   * @param {OffsetView} o @param {(t: number) => number} x @param {(v: number) => number} y
   * @param {number} now @param {number} length @param {number} right @param {number} w @param {number} h @param {number} size
   */
  function forecast(o, x, y, now, length, right, w, h, size) {
    const at = o.now;
    if (!at || !link.fresh(at)) return;
    const v = at.value.value_ms;
    pen.fillStyle = "#f4f1e8";
    pen.beginPath();
    pen.arc(right, y(v), 5, 0, 7);
    pen.fill();
    if (!o.forecast) return;
    const reach = o.forecast.in_ns / 1e6;
    const ahead = ((w - right) / right) * length;
    const until = Math.min(reach, ahead);
    const slope = (o.forecast.limit_ms - v) / reach;
    pen.strokeStyle = "#ffd23f";
    pen.lineWidth = 2.5;
    pen.setLineDash([2, 6]);
    pen.lineCap = "round";
    pen.beginPath();
    pen.moveTo(right, y(v));
    pen.lineTo(x(now + until), y(v + slope * until));
    pen.stroke();
    pen.setLineDash([]);
    pen.lineCap = "butt";
    pen.fillStyle = "#ffd23f";
    pen.textAlign = "right";
    const above = slope <= 0 ? -1.2 : 1.2;
    pen.fillText(`in ${lasting(reach)}`, w - 6, Math.max(size, Math.min(h - size, y(v) + above * size)));
  }

  /** @param {OffsetView | undefined} o @param {number} w @param {number} h @param {number} size */
  function scale(o, w, h, size) {
    if (!o) return;
    const far = height < 1000 ? `${height} ms` : `${height / 1000} s`;
    label(`${o.of} ahead ${far}`, w * (1 - FUTURE) - 8, size * 0.9, "#c3ccd6", "right", size);
    label(`${o.against} ahead ${far}`, w * (1 - FUTURE) - 8, h - size * 0.9, "#c3ccd6", "right", size);
    label("now", w * (1 - FUTURE) + 6, h - size * 0.9, "#c3ccd6", "left", size);
  }
}

/** The page's letter size, in px: the picture grows with it. */
const rem = () => parseFloat(getComputedStyle(document.documentElement).fontSize);

/** The picture in words. @param {OffsetView} o */
function inWords(o) {
  const parts = [o.text];
  if (o.now) parts.push(`Known to ±${milliseconds(o.now.value.bound_ms)}.`);
  if (o.forecast) parts.push(`It ${o.forecast.text}.`);
  return parts.join(" ");
}
