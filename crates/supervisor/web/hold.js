// Press and hold, by finger, mouse or key: the press must be meant. Letting go, sliding off, losing focus or a hidden page
// breaks it off. Assistive technology that can only click presses twice instead, with the same time in between.

/** A finger may slip by this much. */
const SLIP_PX = 24;
const SECOND_CLICK_WITHIN_MS = 6000;

/**
 * @param {HTMLElement} button
 * @param {{ms: () => number, done: () => void, holding?: (fraction: number) => void, hint?: (text: string) => void}} how
 */
export function pressAndHold(button, { ms, done, holding, hint }) {
  /** @type {{by: string, since: number, timer: number} | null} */
  let hold = null;
  let clickedAt = -Infinity;
  let eaten = false;
  let ignoreClickUntil = -Infinity;

  const begin = (/** @type {string} */ by) => {
    if (hold || button.getAttribute("aria-disabled") === "true") return;
    eaten = true;
    const length = ms();
    button.style.setProperty("--hold", `${length}ms`);
    button.dataset.holding = "";
    hold = { by, since: performance.now(), timer: setInterval(step, 25) };
    step();
  };
  const end = () => {
    if (!hold) return;
    clearInterval(hold.timer);
    hold = null;
    delete button.dataset.holding;
    ignoreClickUntil = performance.now() + 400;
    holding?.(0);
  };
  const step = () => {
    if (!hold) return;
    const fraction = (performance.now() - hold.since) / ms();
    if (fraction < 1) return holding?.(fraction);
    end();
    done();
  };

  button.addEventListener("pointerdown", (e) => {
    if (e.button !== 0 || !e.isPrimary) return;
    button.setPointerCapture(e.pointerId);
    begin("pointer");
  });
  button.addEventListener("pointermove", (e) => {
    if (hold?.by !== "pointer") return;
    const r = button.getBoundingClientRect();
    const off = e.clientX < r.left - SLIP_PX || e.clientX > r.right + SLIP_PX || e.clientY < r.top - SLIP_PX || e.clientY > r.bottom + SLIP_PX;
    if (off) end();
  });
  for (const type of ["pointerup", "pointercancel", "lostpointercapture"]) button.addEventListener(type, () => { if (hold?.by === "pointer") end(); });
  button.addEventListener("keydown", (e) => {
    if (e.key === "Escape") return end();
    if (e.key !== " " && e.key !== "Enter") return;
    e.preventDefault();
    if (!e.repeat) begin("key");
  });
  button.addEventListener("keyup", (e) => {
    if (e.key !== " " && e.key !== "Enter") return;
    e.preventDefault();
    if (hold?.by === "key") end();
  });
  button.addEventListener("blur", end);
  button.addEventListener("contextmenu", (e) => e.preventDefault());
  document.addEventListener("visibilitychange", end);
  addEventListener("blur", end);

  // A click that no press of ours came before: made by a screen reader, a switch or a voice.
  button.addEventListener("click", () => {
    const now = performance.now();
    const ours = eaten && now < ignoreClickUntil;
    eaten = false;
    if (ours || hold || button.getAttribute("aria-disabled") === "true") return;
    const since = now - clickedAt;
    if (since >= ms() && since <= SECOND_CLICK_WITHIN_MS) {
      clickedAt = -Infinity;
      return done();
    }
    clickedAt = now;
    hint?.("Press again to confirm.");
  });
}
