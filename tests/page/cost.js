// What the page costs the browser's main thread, printed: `node cost.js`. The offset's picture is what the drawing frames take; beside it
// stands all that the page does, and the same page while its picture is out of sight.

import { Rig, browser } from "./rig.js";

const SECONDS = 10;
const rig = await Rig.start("drifting");
const chrome = await browser();
const page = await chrome.newPage({ viewport: { width: 1280, height: 800 } });
await page.addInitScript(() => {
  window.drawn = { frames: 0, ms: 0 };
  const ask = window.requestAnimationFrame.bind(window);
  window.requestAnimationFrame = (draw) => ask((now) => {
    const begin = performance.now();
    draw(now);
    window.drawn.ms += performance.now() - begin;
    window.drawn.frames += 1;
  });
});
await page.goto(`${rig.url}/`);
await page.waitForSelector("body[data-line=live]");
const cdp = await page.context().newCDPSession(page);
await cdp.send("Performance.enable");
const metrics = async () => {
  const all = Object.fromEntries((await cdp.send("Performance.getMetrics")).metrics.map((m) => [m.name, m.value]));
  return { task: all.TaskDuration, script: all.ScriptDuration, layout: all.LayoutDuration + all.RecalcStyleDuration, at: all.Timestamp, drawn: await page.evaluate(() => ({ ...window.drawn })) };
};
const percent = (part, whole) => `${((100 * part) / whole).toFixed(2)} %`;

async function measure(what) {
  await page.waitForTimeout(1500);
  const a = await metrics();
  await page.waitForTimeout(SECONDS * 1000);
  const b = await metrics();
  const long = b.at - a.at;
  console.log(`${what}: picture ${percent((b.drawn.ms - a.drawn.ms) / 1000, long)} of a core in ${((b.drawn.frames - a.drawn.frames) / long).toFixed(0)} frames a second; the whole main thread ${percent(b.task - a.task, long)} (script ${percent(b.script - a.script, long)}, layout and style ${percent(b.layout - a.layout, long)})`);
}

for (const window of ["10 s", "5 min", "Song"]) {
  await page.getByRole("button", { name: window }).click();
  await measure(`window ${window}`);
}
await page.locator("#offset").evaluate((n) => { n.style.display = "none"; });
await measure("picture out of sight");
await chrome.close();
await rig.stop();
