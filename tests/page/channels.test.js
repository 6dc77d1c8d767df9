// A machine's card: its channels (true peak, clips, how each sounds against the first machine's), and what happened to it tonight.

import assert from "node:assert/strict";
import { after, before, beforeEach, test } from "node:test";
import { Rig, axe, browser, stopAll } from "./rig.js";

/** @type {Rig} */ let rig;
/** @type {import("playwright-core").Browser} */ let chrome;
/** @type {string[]} */ const complaints = [];

before(async () => { [rig, chrome] = [await Rig.start(), await browser()]; });
after(async () => {
  await chrome?.close();
  await stopAll();
});
beforeEach(async () => { complaints.length = 0; });

/** @param {string} scene @param {number} width */
async function open(scene, width = 1280) {
  await rig.scene(scene);
  const context = await chrome.newContext({ viewport: { width, height: 800 }, timezoneId: "UTC", bypassCSP: true });
  const page = await context.newPage();
  page.on("console", (m) => { if (["error", "warning"].includes(m.type())) complaints.push(m.text()); });
  page.on("pageerror", (e) => complaints.push(e.message));
  await page.goto(rig.url);
  await page.waitForSelector("body[data-line=live]");
  await page.waitForSelector("#machines article");
  return page;
}
const B = '#machines article[data-key="B"]';

test("what is amiss with a channel is seen without opening anything, and what is not compared any more is said to be", async () => {
  const page = await open("sounds-differ");
  const said = await page.locator(`${B} [data-part=findings] li`).allInnerTexts();
  assert.equal(said.length, 2);
  const choir = said.find((t) => t.includes("choir"));
  assert.equal(choir?.trim(), "B's `choir` is silent where A's is not.");
  const strings = said.find((t) => t.includes("strings"));
  assert.match(strings ?? "", /^\s*B's `strings` has the other polarity than A's\. Not compared since \d\d:\d\d\.$/);
  // The hour is the supervisor's: one hour before now.
  const snapshot = await rig.get("/api/v1/snapshot");
  const hour = new Date(snapshot.wall_ns / 1e6 - 3_600_000).toISOString().slice(11, 13);
  assert.ok([hour, String((Number(hour) + 23) % 24).padStart(2, "0")].some((h) => strings?.includes(`since ${h}:`)), strings);
  assert.equal(await page.locator('#machines article[data-key="A"] [data-part=findings]').isVisible(), false, "A is what the others are held against");
  assert.deepEqual(complaints, []);
  await page.context().close();
});

test("each channel tells its true peak, its clips and since when, and how it lies against A's", async () => {
  const page = await open("sounds-differ");
  assert.match(await page.locator(`${B} [data-part=channels-said]`).innerText(), /^8 channels, highest true peak 0\.8 dBTP, 1 clipped$/);
  await page.locator(`${B} .channels summary`).press("Enter");
  await page.waitForSelector(`${B} .channels li`);
  const row = (/** @type {string} */ name) => page.locator(`${B} .channels li[data-key="${name}"]`).innerText();
  assert.match(await row("drums"), /true peak −0\.3 dBTP; highest 0\.8; 37 samples clipped since \d\d:\d\d, the last at \d\d:\d\d:\d\d; DC 2\.1 %/);
  assert.match(await row("bass"), /none clipped since \d\d:\d\d\s+B's `bass` sounds like A's \(2\.4 ms ahead, 1\.5 dB softer\)\./);
  assert.match(await row("cues"), /was not compared with A's yet\.$/);
  assert.match(await row("spare"), /silent/);
  assert.equal(await page.locator(`${B} .channels li[data-compared-long-ago=true]`).count(), 1, "only what was compared once grows old");
  // It stays open, and what is not heard any more is not shown as a figure of now.
  await rig.scene("stale");
  await page.waitForFunction((css) => document.querySelector(css)?.textContent?.includes("true peak not known now"), `${B} .channels li[data-key="drums"]`);
  assert.deepEqual(complaints, []);
  await page.context().close();
});

test("64 channels have their levels and rows, and nothing runs over a phone's edge", async () => {
  for (const width of [360, 1280]) {
    const page = await open("many-channels", width);
    await page.waitForFunction((css) => document.querySelectorAll(css).length === 64, `${B} .level`);
    await page.locator(`${B} .channels summary`).click();
    await page.waitForFunction((css) => document.querySelectorAll(css).length === 64, `${B} .channels li`);
    assert.match(await page.locator(`${B} .levels`).getAttribute("aria-label") ?? "", /^64 channels/);
    assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= window.innerWidth), `nothing is wider than ${width}`);
    assert.deepEqual(complaints, []);
    await page.context().close();
  }
});

test("what happened to a machine tonight is there on demand, newest first", async () => {
  for (const width of [360, 1280]) {
    const page = await open("ready", width);
    assert.equal(await page.locator(`${B} .happened li`).count(), 0, "nothing is asked for before somebody wants to know");
    await page.locator(`${B} .history summary`).press("Enter");
    await page.waitForSelector(`${B} .happened li`);
    // The newest of the invented shows: one alarm of B, raised 30 s after its beginning and over 3 s later.
    const told = await page.locator(`${B} .happened li`).allInnerTexts();
    assert.deepEqual(told.map((t) => t.replace(/\s+/g, " ").trim()), ["18:30:33 Over: B is heard on one path only.", "18:30:30 B is heard on one path only."]);
    await page.locator('#machines article[data-key="A"] .history summary').click();
    await page.waitForFunction(() => document.querySelector('#machines article[data-key="A"] .history p')?.textContent === "Nothing yet.");
    assert.equal(await page.locator('#machines article[data-key="A"] .happened').isVisible(), false);
    assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= window.innerWidth), `nothing is wider than ${width}`);
    assert.deepEqual(await axe(page, "#machines"), []);
    assert.deepEqual(complaints, []);
    await page.context().close();
  }
});
