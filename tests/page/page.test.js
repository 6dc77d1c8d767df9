// The page in a real browser, over an invented rig.

import assert from "node:assert/strict";
import { after, before, beforeEach, describe, test } from "node:test";
import { Rig, axe, browser, stopAll } from "./rig.js";

/** All that the page may weigh, in bytes as they go over the wire. */
const HEAVIEST = 150_000;

/** @type {Rig} */ let rig;
/** @type {import("playwright-core").Browser} */ let chrome;
/** @type {string[]} */ const complaints = [];
/** Set while a test breaks the connection on purpose. */
let breaking = false;

before(async () => { [rig, chrome] = [await Rig.start(), await browser()]; });
after(async () => {
  await chrome?.close();
  await stopAll();
});
beforeEach(async () => { await rig.scene("ready"); complaints.length = 0; });

/** Opens a page that writes down every complaint and every request to somewhere else. */
async function open({ path = "/", context = {}, url = rig.url, name } = {}) {
  const ctx = await chrome.newContext({ viewport: { width: 1280, height: 800 }, ...context });
  const page = await ctx.newPage();
  page.on("console", (m) => { if (["error", "warning"].includes(m.type()) && !breaking) complaints.push(`${m.type()}: ${m.text()}`); });
  page.on("pageerror", (e) => complaints.push(`thrown: ${e.message}`));
  page.on("request", (r) => { if (!r.url().startsWith(url)) complaints.push(`foreign request: ${r.url()}`); });
  if (name) await ctx.addInitScript((n) => localStorage.setItem("twinkeel-name", n), name);
  await page.goto(url + path);
  await page.waitForSelector("body[data-line=live]");
  return page;
}
const close = (page) => page.context().close();
const quiet = () => assert.deepEqual(complaints, []);
const textOf = (page, css) => page.locator(css).innerText();

/** Presses for this long with a mouse. */
async function press(page, css, ms) {
  await page.locator(css).scrollIntoViewIfNeeded();
  const box = await page.locator(css).boundingBox();
  await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
  await page.mouse.down();
  await page.waitForTimeout(ms);
  await page.mouse.up();
}
/** Writes down what a node says while something is held; the answer reads it out. */
async function whileHeld(page, css) {
  await page.locator(css).evaluate((node) => {
    window.said = [];
    new MutationObserver(() => { if (node.parentElement.hasAttribute("data-held")) window.said.push(node.textContent); })
      .observe(node.parentElement, { childList: true, characterData: true, subtree: true });
  });
  return () => page.evaluate(() => window.said.join(" | "));
}
/** Presses for this long with a finger. */
async function touch(page, css, ms) {
  await page.locator(css).scrollIntoViewIfNeeded();
  const box = await page.locator(css).boundingBox();
  const touchPoints = [{ x: box.x + box.width / 2, y: box.y + box.height / 2 }];
  const cdp = await page.context().newCDPSession(page);
  await cdp.send("Input.dispatchTouchEvent", { type: "touchStart", touchPoints });
  await page.waitForTimeout(ms);
  await cdp.send("Input.dispatchTouchEvent", { type: "touchEnd", touchPoints: [] });
}
/** Presses for this long with a key. */
async function key(page, css, ms, which = " ") {
  await page.focus(css);
  await page.keyboard.down(which);
  await page.waitForTimeout(ms);
  await page.keyboard.up(which);
}

test("first the sentence, then who is on air, then what needs a hand", async () => {
  const page = await open();
  assert.match(await textOf(page, "#headline"), /^B can take over now: you would hear 3 ms\.$/);
  assert.match(await textOf(page, ".track[data-role=on-air]"), /A\s+ON AIR/);
  assert.match(await textOf(page, "#hand"), /Nothing\./);
  const tops = await page.evaluate(() => ["headline", "onair", "control"].map((id) => document.getElementById(id).getBoundingClientRect().top));
  assert.deepEqual(tops, [...tops].sort((a, b) => a - b));
  const size = (css) => page.locator(css).first().evaluate((n) => parseFloat(getComputedStyle(n).fontSize));
  assert.ok(await size("#headline-text") > await size(".track-role") && await size(".track-role") > await size("#hand p"), "by size too");
  assert.doesNotMatch(await textOf(page, "main"), /ppm|host-silent/, "neither ppm nor rule rows here");
  await page.click("nav >> text=Why");
  await page.waitForSelector("#rules tr");
  assert.match(await textOf(page, "main"), /host-silent[^]*ppm/, "but a click away");
  await page.goBack();
  await page.waitForSelector("#headline");
  quiet();
  await close(page);
});

test("no standby and unprotected can't be overlooked", async () => {
  await rig.scene("latched");
  const page = await open();
  const flags = await textOf(page, "#flags");
  assert.match(flags, /NO STANDBY/);
  assert.match(flags, /UNPROTECTED/);
  const height = await page.locator(".flag strong").first().evaluate((n) => parseFloat(getComputedStyle(n).fontSize));
  assert.ok(height >= 32, `${height} px`);
  await rig.scene("out-of-service");
  await page.waitForSelector("#flags >> text=out of service by Mara");
  await rig.scene("unknown");
  await page.waitForSelector("#flags >> text=ON AIR: NOT KNOWN");
  await rig.scene("conflict");
  await page.waitForSelector("#flags >> text=SWITCH IN CONFLICT");
  quiet();
  await close(page);
});

describe("press and hold", () => {
  const hands = [
    ["mouse", press, {}],
    ["touch", touch, { hasTouch: true }],
    ["space key", (page, css, ms) => key(page, css, ms, " "), {}],
    ["enter key", (page, css, ms) => key(page, css, ms, "Enter"), {}],
  ];
  for (const [name, hold, context] of hands) {
    test(`by ${name}: a short press does nothing, 0.7 s changes over, and what happened is said`, async () => {
      const page = await open({ context, name: "Mara" });
      await page.waitForSelector("#hold-B");
      await hold(page, "#hold-B", 30);
      await page.waitForTimeout(600);
      assert.deepEqual(await rig.acts(), []);
      await hold(page, "#hold-B", 1000);
      await page.waitForSelector("#said[data-tone=good] >> text=B is on air");
      assert.deepEqual(await rig.acts(), ["Changeover { to: Letter(Machine(1)), forced: false } by Mara"]);
      await page.waitForSelector(".track[data-role=on-air] >> text=B");
      quiet();
      await close(page);
    });
  }

  test("the cost is shown while holding", async () => {
    const page = await open();
    await page.waitForSelector("#hold-B");
    const said = await whileHeld(page, "#cost-B");
    await press(page, "#hold-B", 1000);
    assert.match(await said(), /jump of \d\.\d ms back \(\d+ samples\), level down 0\.3 dB/);
    await close(page);
  });

  test("sliding off breaks it off", async () => {
    const page = await open();
    await page.hover("#hold-B");
    await page.mouse.down();
    await page.mouse.move(5, 5);
    await page.waitForTimeout(1000);
    await page.mouse.up();
    assert.deepEqual(await rig.acts(), []);
    await close(page);
  });

  test("focus that moves on, or a key held before it came, does not change over", async () => {
    const page = await open();
    await page.focus("#hold-B");
    await page.keyboard.down(" ");
    await page.focus("#me");
    await page.waitForTimeout(900);
    await page.keyboard.up(" ");
    assert.deepEqual(await rig.acts(), []);
    await close(page);
  });

  test("who can only click presses twice", async () => {
    const page = await open();
    await page.locator("#hold-B").evaluate((b) => b.click());
    await page.locator("#hold-B").evaluate((b) => b.click());
    await page.waitForTimeout(300);
    assert.deepEqual(await rig.acts(), [], "a double click is no second thought");
    await page.waitForTimeout(800);
    await page.locator("#hold-B").evaluate((b) => b.click());
    await page.waitForSelector("#said[data-tone=good]");
    await close(page);
  });

  test("force needs a second step, 1.5 s in all, and says how timecode jumps", async () => {
    await rig.scene("apart");
    const page = await open();
    await page.waitForSelector("[data-kind=force] #hold-B");
    await press(page, "#hold-B", 2200);
    await page.waitForSelector("[data-kind=second] >> text=Again: force B on air");
    assert.deepEqual(await rig.acts(), [], "one long press is not two steps");
    assert.match(await textOf(page, "#cost-B"), /Timecode jumps from 02:01:23:11 back to 02:01:19:14/);
    await press(page, "#hold-B", 30);
    await page.waitForTimeout(300);
    assert.deepEqual(await rig.acts(), [], "the second step must be held too");
    await press(page, "#hold-B", 1100);
    await page.waitForSelector("#said[data-tone=good]");
    assert.match((await rig.acts()).join(), /forced: true/);
    quiet();
    await close(page);
  });

  test("the second step can be left, and goes when it is not needed any more", async () => {
    await rig.scene("apart");
    const page = await open();
    await page.waitForSelector("[data-kind=force] #hold-B");
    await press(page, "#hold-B", 1000);
    await page.click(".takeover >> text=Leave it");
    await page.waitForSelector("[data-kind=force] #hold-B");
    await press(page, "#hold-B", 1000);
    await page.waitForSelector("[data-kind=second]");
    await rig.scene("ready");
    await page.waitForSelector("[data-kind=possible] #hold-B");
    assert.deepEqual(await rig.acts(), []);
    await close(page);
  });

  test("a switch that does not confirm is said so", async () => {
    await rig.scene("unconfirmed");
    const page = await open();
    await page.waitForSelector("#hold-B");
    await press(page, "#hold-B", 1000);
    await page.waitForSelector("#said[data-tone=danger] >> text=NOT CONFIRMED", { timeout: 4000 });
    assert.match(await textOf(page, ".track[data-role=on-air]"), /A\s+ON AIR/, "what is shown is what is");
    await close(page);
  });

  test("mode, latch and service are held too", async () => {
    await rig.scene("mended");
    const page = await open({ name: "Mara" });
    await page.waitForSelector("#release");
    await page.click("#release");
    await page.click("[data-mode=observe]");
    await page.waitForTimeout(300);
    assert.deepEqual(await rig.acts(), []);
    await press(page, "#release", 1000);
    await page.waitForSelector("#latch", { state: "hidden" });
    await press(page, "[data-mode=observe]", 1000);
    await page.waitForSelector("[data-mode=observe][aria-pressed=true]");
    await press(page, "[data-key=A] [data-part=service]", 1000);
    await page.waitForSelector("#events >> text=A is out of service");
    quiet();
    await close(page);
  });
});

describe("tonight's set", () => {
  const SET = ["Low Water", "A Lamp for the Ferryman", "Nine Bells, No Wind", "Salt on the Sill"];
  const names = (page) => page.locator("#set .name").allInnerTexts();
  const settled = (page) => page.waitForSelector("#set:not([data-new])");

  test("is moved, skipped and added to, and the record says who", async () => {
    const page = await open({ path: "/set", name: "FOH" });
    assert.deepEqual(await names(page), SET);
    assert.match(await textOf(page, "#set [data-state=now]"), /A Lamp for the Ferryman[^]*NOW · 02:00:00:00/);
    await page.getByRole("button", { name: "Later: Nine Bells, No Wind" }).click();
    await page.waitForFunction(() => document.querySelectorAll("#set .name")[3]?.textContent === "Nine Bells, No Wind");
    assert.match(await textOf(page, "#said"), /moved to place 4/);
    await settled(page);
    await page.getByRole("button", { name: "Skip: Salt on the Sill" }).click();
    await page.waitForSelector("#set [data-state=skipped] >> text=skipped");
    assert.ok(await page.getByRole("button", { name: "Skip: A Lamp for the Ferryman" }).isHidden(), "it plays");
    await page.selectOption("#encore", { label: "The Long Way to Harrow Quay" });
    await page.getByRole("button", { name: "Add", exact: true }).click();
    await page.waitForFunction(() => document.querySelectorAll("#set .name").length === 5);
    assert.match(await textOf(page, "#set li:last-child"), /The Long Way to Harrow Quay[^]*added/);
    const acts = await rig.acts();
    assert.deepEqual(acts.map((a) => a.replace(/ .* by/, " by")), ["SetMove by FOH", "SetSkip by FOH", "SetAdd by FOH"]);
    quiet();
    await close(page);
  });

  test("a second press by key moves the same song on, wherever it has come to stand", async () => {
    const page = await open({ path: "/set" });
    await page.getByRole("button", { name: "Earlier: Salt on the Sill" }).focus();
    for (const place of [3, 2]) {
      await page.keyboard.press("Enter");
      await page.waitForFunction((n) => document.querySelectorAll("#set .name")[n - 1]?.textContent === "Salt on the Sill", place);
    }
    assert.equal(await page.evaluate(() => document.activeElement?.getAttribute("aria-label")), "Earlier: Salt on the Sill");
    await close(page);
  });

  test("a finger that taps twice moves one song once", async () => {
    const page = await open({ path: "/set", context: { hasTouch: true, viewport: { width: 360, height: 640 } } });
    const button = page.getByRole("button", { name: "Later: Nine Bells, No Wind" });
    await button.scrollIntoViewIfNeeded();
    const box = await button.boundingBox();
    const tap = () => page.touchscreen.tap(box.x + box.width / 2, box.y + box.height / 2);
    await tap();
    await page.waitForFunction(() => document.querySelectorAll("#set .name")[3]?.textContent === "Nine Bells, No Wind");
    await tap();
    await page.waitForTimeout(300);
    assert.equal((await rig.acts()).length, 1);
    await close(page);
  });

  test("is not put back by one touch", async () => {
    const page = await open({ path: "/set" });
    await page.click("#restore");
    await page.waitForTimeout(300);
    assert.deepEqual(await rig.acts(), []);
    await press(page, "#restore", 1000);
    await page.waitForSelector("#said >> text=as the show file has it");
    assert.equal((await rig.acts()).length, 1);
    await close(page);
  });
});

describe("the check before the show", () => {
  const checked = (name) => rig.get(`/fake/check/${name}`);
  after(() => checked("passed"));

  test("says in words whether a pass stands, what is asked of a person, and what is wrong", async () => {
    await checked("never");
    const page = await open({ path: "/check" });
    await page.waitForSelector("#stands >> text=No. No check of this rig has been passed. The mode act needs your word.");
    assert.ok(await page.locator("#sheet").isHidden());
    await checked("waiting");
    await page.waitForSelector("#ask >> text=Load a song of the show, and press start once.");
    assert.match(await textOf(page, "#stage"), /^Waiting for the start\. \(A full check, begun by Mara\.\)$/);
    assert.ok(await page.locator("#run").isHidden(), "no second one can be begun");
    assert.equal(await page.locator("#done").evaluate((n) => n.value), 0.25);
    await checked("passed");
    await page.waitForSelector("#stands >> text=Yes. The mode act may be chosen.");
    assert.match(await textOf(page, "#outcome"), /^PASSED$/);
    await checked("failed");
    await page.waitForSelector("#outcome >> text=FAILED");
    assert.match(await textOf(page, "#wrong li:first-child"), /FAIL: The same buffer[^]*A: 128 samples; B: 512 samples \(limit: the same on all machines\)[^]*Mend: Set the same buffer size/);
    assert.match(await textOf(page, "#wrong li:nth-child(2)"), /look at: Processor headroom/, "what fails comes first");
    assert.match(await textOf(page, "#new"), /B's buffer is 512, was 128/);
    await page.click("#sheet summary");
    assert.match(await textOf(page, "#rows"), /not tested/, "what was not looked at is not called well");
    quiet();
    await close(page);
  });

  test("a sheet can be printed, as a page and as PDF", async () => {
    await checked("failed");
    const page = await open({ path: "/check" });
    await page.waitForSelector("#sheet");
    const [html, pdf] = await Promise.all(["#sheet-html", "#sheet-pdf"].map(async (css) => fetch(rig.url + await page.getAttribute(css, "href"))));
    assert.match(await html.text(), /FAIL[^]*Twinkeel is not a safety system/i);
    assert.equal(Buffer.from(await pdf.arrayBuffer()).subarray(0, 5).toString(), "%PDF-");
    await close(page);
  });

  test("a full check begins only when a person has said all that must be said, and each word counts once", async () => {
    await checked("never");
    const page = await open({ path: "/check", name: "Mara" });
    await page.click("text=Full");
    await page.waitForSelector("#begin-said >> text=/timecode is parked for lighting, video, automation, effects; that everybody is warned; how loud/");
    await page.click("#begin", { force: true });
    await page.waitForTimeout(200);
    assert.deepEqual(await rig.acts(), [], "the button does nothing yet");
    for (const name of ["Lighting", "Video", "Automation", "Effects", "Everybody"]) await page.locator(`label:has-text("${name}")`).first().click();
    await page.waitForSelector("#begin-said >> text=/^Still to be said: how loud it may be\\.$/");
    await page.click("text=lowered");
    await page.click("#begin");
    await page.waitForSelector("#goes");
    assert.match((await rig.acts()).join(), /^Full check with Word \{ desk_muted: false, warned: true, level: Some\(Lowered\), parked: \["lighting", "video", "automation", "effects"\] \} by Mara$/);
    await page.click("#stop");
    await page.waitForSelector("#run");
    await page.waitForSelector("#begin-said >> text=/timecode is parked for lighting, video/");
    quiet();
    await close(page);
  });

  test("a quick check moves nothing and asks nothing; a fast one wants the desk muted", async () => {
    await checked("never");
    const page = await open({ path: "/check" });
    assert.equal(await page.getAttribute("#begin", "aria-disabled"), "false");
    await page.click("text=Fast");
    assert.equal(await page.getAttribute("#begin", "aria-disabled"), "true");
    await page.click("text=The desk is muted.");
    assert.equal(await page.getAttribute("#begin", "aria-disabled"), "false");
    await page.click("text=Quick");
    await page.click("#begin");
    await page.waitForSelector("#goes");
    assert.match((await rig.acts()).join(), /^Quick check/);
    await close(page);
  });

  test("who may only look on is asked for the passphrase before anything begins", async () => {
    const own = await Rig.start("ready", { TWINKEEL_FAKE_PASSPHRASE: "low water" });
    const page = await open({ url: own.url, path: "/check" });
    await page.waitForSelector("body[data-role=reader]");
    await page.click("#begin");
    await page.waitForSelector("#me-dialog[open] >> text=Operator's passphrase");
    assert.deepEqual(await own.acts(), []);
    quiet();
    await close(page);
    await own.stop();
  });

  test("without a check the mode act needs a person's word, given by a second press", async () => {
    await checked("never");
    const page = await open({ name: "Mara" });
    await press(page, "[data-mode=observe]", 1000);
    await page.waitForSelector("[data-mode=observe][aria-pressed=true]");
    await press(page, "[data-mode=act]", 1000);
    await page.waitForSelector("#said[data-tone=abnormal] >> text=/No check of this rig has been passed[^]*the record keeps it under your name/");
    await press(page, "[data-mode=act]", 1000);
    await page.waitForSelector("[data-mode=act][aria-pressed=true]");
    assert.deepEqual(await rig.acts(), ["SetMode { mode: Observe } by Mara", "SetMode { mode: Act } by Mara", "ActUnchecked by Mara"]);
    await close(page);
  });
});

test("shows are listed with what they came to, how figures went, and their reports", async () => {
  const page = await open({ path: "/shows" });
  await page.waitForSelector("#shows-said:empty", { state: "attached" });
  await page.waitForFunction(() => document.querySelectorAll("#shows li").length === 6);
  assert.match(await textOf(page, "#shows li:first-child"), /Salt and Lanterns, Lantern Dock[^]*24 May 2026[^]*It held: 2 songs[^]*97\.5 %[^]*Alarms: 0 high, 1 medium, 0 low/);
  assert.match(await textOf(page, "#shows li:last-child"), /cannot be read/);
  const drift = await textOf(page, "#trend-list li:first-child");
  assert.match(drift, /Drift of right of the riser\s+27\.5 ppm in the last show; before, from 21\.0 ppm to 23\.9 ppm, half of them at most 21\.[24] ppm/);
  assert.equal(await page.locator("#trend-list li:first-child rect").count(), 5, "a column a show");
  await page.click("#shows li:first-child >> text=Report");
  await page.waitForURL(/report\.html$/);
  assert.match(await textOf(page, "body"), /Lantern Dock/);
  await page.goBack();
  await page.waitForSelector("#shows li");
  await page.goto(`${rig.url}/report`);
  assert.match(page.url(), /\/shows$/, "without a report by name the way to it is the list");
  quiet();
  await close(page);
});

test("a button that cannot be heard is said so", async () => {
  const page = await open({ path: "/rig" });
  await page.waitForSelector("#buttons li");
  assert.match(await textOf(page, "#buttons"), /left foot: changeover, held for 0\.7 s; heard at pedal board[^]*desk button: says yes to a proposal; CANNOT BE HEARD at 10\.0\.0\.10:9010/);
  assert.equal(await page.getAttribute("#buttons li:nth-child(2) .shape", "data-tone"), "danger");
  quiet();
  await close(page);
});

test("the first set-up hears each machine on its own", async () => {
  await rig.scene("first-start");
  const page = await open({ path: "/rig" });
  await page.waitForSelector("#setup[open] >> text=Start the agent on A, left of the riser.");
  assert.match(await textOf(page, "#sounding"), /Nothing sounds now/);
  await rig.scene("ready");
  await page.waitForSelector("#sounding >> text=A and B sound now.");
  assert.match(await textOf(page, "#steps"), /Play something on A, and on no other/, "together proves nothing");
  await rig.scene("only-a");
  await page.waitForSelector("#sounding >> text=A sounds now, alone.");
  await page.waitForSelector("#steps >> text=/Heard: A alone, on drums, bass/");
  const steps = await textOf(page, "#steps");
  assert.match(steps, /Play something on B, and on no other/, "what A does is not taken for B");
  assert.match(steps, /Heard: A rolls by LTC on channel 8, MTC/);
  assert.match(steps, /Heard: the switch is on A/);
  await rig.scene("ready");
  await page.waitForSelector("#sounding >> text=A and B sound now.");
  assert.match(await textOf(page, "#steps"), /Heard: A alone/, "what was heard once stays heard");
  quiet();
  await close(page);
});

test("a page that others can reach shows its addresses with codes; this computer's own browser may act, and says so of itself", async () => {
  const here = await open({ path: "/rig" });
  await here.waitForSelector("#address-said >> text=Only this computer can open the page.");
  assert.equal(await here.locator("#addresses img").count(), 0);
  await close(here);
  const own = await Rig.start("ready", { TWINKEEL_FAKE_HOST: "0.0.0.0", TWINKEEL_FAKE_PASSPHRASE: "low water rising" });
  const page = await open({ url: own.url, path: "/rig" });
  await page.waitForSelector("#address-said >> text=the operator's passphrase, once for a show, lets it act");
  const { urls } = await own.get("/api/v1/address");
  await page.waitForFunction((n) => document.querySelectorAll("#addresses img").length === n, urls.length);
  assert.ok(await page.evaluate(() => [...document.querySelectorAll("#addresses img")].every((i) => i.naturalWidth > 0)), "every code is a picture");
  assert.equal((await own.get("/api/v1/session")).role, "operator", "who sits here needs no passphrase");
  for (const url of urls) {
    assert.match(url, /^http:\/\/[^/]+\/$/, "nothing but an address is in it");
    assert.equal((await (await fetch(`${url}api/v1/session`)).json()).role, "reader", "others do");
  }
  quiet();
  await close(page);
  await own.stop();
});

test("a proposal is answered in one press", async () => {
  await rig.scene("proposal");
  const page = await open();
  await page.waitForSelector("#proposal:not([data-new]) >> text=Put B on air?");
  await page.click("text=Yes: B on air");
  await page.waitForSelector("#proposal", { state: "hidden" });
  assert.deepEqual(await rig.acts(), ["AnswerProposal { id: 7, yes: true } by this computer"]);
  await page.waitForSelector(".track[data-role=on-air] >> text=B");
  quiet();
  await close(page);
});

test("alarms are seen and shelved", async () => {
  await rig.scene("many-alarms");
  const page = await open({ name: "Mara" });
  await page.waitForSelector("#alarms li");
  assert.match(await textOf(page, "#alarms li:first-child"), /replayed[^]*HIGH/, "the most urgent first");
  const count = await page.locator("#alarms li").count();
  await page.click("#alarms li:first-child >> text=Seen");
  await page.waitForFunction((n) => document.querySelectorAll("#alarms li").length === n - 1, count);
  await page.click("#alarms li:first-child summary");
  await page.click("#alarms li:first-child >> text=15 min");
  await page.waitForFunction((n) => document.querySelectorAll("#alarms li").length === n - 2, count);
  await page.click("#seen-head");
  assert.match(await textOf(page, "#seen-list"), /seen by Mara[^]*shelved for 15 min more/);
  quiet();
  await close(page);
});

test("a phone stays awake, and shakes when something urgent comes, but not before anybody has touched it", async () => {
  const page = await open({ context: { hasTouch: true, viewport: { width: 360, height: 640 } } });
  await page.context().addInitScript(() => {
    window.asked = { awake: 0, shakes: 0 };
    // The tests' own looks into a page count as touches, so what a browser knows of touches is said here.
    window.touched = false;
    Object.defineProperty(navigator, "userActivation", { value: { get hasBeenActive() { return window.touched; } } });
    addEventListener("pointerdown", () => { window.touched = true; });
    Object.defineProperty(navigator, "wakeLock", { value: { request: async () => { window.asked.awake++; } } });
    navigator.vibrate = () => { window.asked.shakes++; return true; };
  });
  await page.reload();
  await page.waitForSelector("body[data-line=live]");
  const asked = () => page.evaluate(() => window.asked);
  assert.deepEqual(await asked(), { awake: 1, shakes: 0 });
  await rig.scene("no-standby");
  await page.waitForSelector("#alarms >> text=HIGH");
  assert.equal((await asked()).shakes, 0, "a page that nobody has touched may not");
  await rig.scene("ready");
  await page.waitForSelector("#alarms:empty", { state: "attached" });
  await page.locator("#headline-text").tap();
  await rig.scene("no-standby");
  await page.waitForSelector("#alarms >> text=HIGH");
  await page.waitForFunction(() => window.asked.shakes === 1);
  await page.waitForTimeout(500);
  assert.equal((await asked()).shakes, 1, "once for each alarm");
  await close(page);
});

test("two operators see who did what", async () => {
  const mara = await open({ name: "Mara" });
  const joel = await open({ name: "Joel" });
  await mara.waitForSelector("#hold-B");
  await press(mara, "#hold-B", 1000);
  await joel.waitForSelector("#events >> text=/B was asked of the switch\\. \\(Mara\\)/");
  await joel.waitForSelector(".track[data-role=on-air] >> text=B");
  await joel.waitForSelector("#release");
  await press(joel, "#release", 1000);
  await mara.waitForSelector("#events >> text=/latch is released\\. \\(Joel\\)/");
  quiet();
  await close(mara);
  await close(joel);
});

describe("honesty", () => {
  test("a killed supervisor is a banner in under 1 s, and a restarted one is found again", async () => {
    const own = await Rig.start();
    const page = await open({ url: own.url });
    breaking = true;
    // Measured inside the page, from the last snapshot to the banner.
    await page.evaluate(() => {
      const bar = document.getElementById("lost");
      window.seen = new Promise((done) => new MutationObserver(() => { if (!bar.hidden) done(performance.now()); }).observe(bar, { attributes: true }));
    });
    const killed = await page.evaluate(() => performance.now());
    await own.stop("SIGKILL");
    const shown = await page.evaluate(() => window.seen);
    assert.ok(shown - killed < 1000, `${shown - killed} ms`);
    assert.match(await textOf(page, "#lost"), /NO CONNECTION/);
    const width = await page.locator("#lost").evaluate((n) => n.getBoundingClientRect().width / innerWidth);
    assert.equal(width, 1);
    await own.run("drifting");
    await page.waitForSelector("#lost", { state: "hidden", timeout: 5000 });
    await page.waitForSelector("#headline >> text=it grows");
    breaking = false;
    await close(page);
    await own.stop();
  });

  test("a supervisor that makes no snapshots is called mute, not lost", async () => {
    const page = await open();
    await rig.get("/fake/mute");
    await page.waitForSelector("#lost >> text=THE SUPERVISOR DOES NOT ANSWER", { timeout: 1500 });
    await rig.get("/fake/unmute");
    await page.waitForSelector("#lost", { state: "hidden" });
    quiet();
    await close(page);
  });

  test("figures past their expiry look old though snapshots come", async () => {
    await rig.scene("stale");
    const page = await open();
    await page.waitForSelector("#song[data-old=true]");
    await page.waitForSelector("#offset[data-old=true]");
    await page.waitForSelector("[data-part=levels][data-old=true]", { state: "attached" });
    const said = await whileHeld(page, "#cost-B");
    await press(page, "#hold-B", 1000);
    assert.match(await said(), /not known any more/);
    quiet();
    await close(page);
  });

  test("an act that can't arrive is said to be unknown, not done", async () => {
    const page = await open();
    await page.waitForSelector("#hold-B");
    breaking = true;
    await page.route("**/api/v1/act", (r) => r.abort());
    await press(page, "#hold-B", 1000);
    await page.waitForSelector("#said[data-tone=danger] >> text=not known whether this arrived");
    breaking = false;
    await close(page);
  });
});

test("with a passphrase a device looks on until it is typed once", async () => {
  const own = await Rig.start("ready", { TWINKEEL_FAKE_PASSPHRASE: "low water" });
  const page = await open({ url: own.url });
  await page.waitForSelector("#looking");
  assert.ok(await page.locator("#holds").isHidden());
  await page.click("#looking-enter");
  breaking = true; // the browser itself writes a line for the 401
  await page.fill("#me-word", "high water");
  await page.click("text=Keep");
  await page.waitForSelector("#me-said >> text=not the passphrase");
  breaking = false;
  await page.fill("#me-word", "low water");
  await page.click("text=Keep");
  await page.waitForSelector("#hold-B");
  await own.stop("SIGKILL");
  breaking = true;
  await own.run("ready");
  await page.waitForSelector("#lost", { state: "hidden" });
  breaking = false;
  await press(page, "#hold-B", 1000);
  await page.waitForSelector("#said[data-tone=good]", { timeout: 3000 });
  await close(page);
  await own.stop();
});

describe("sizes", () => {
  for (const [name, width, height] of [["phone", 360, 640], ["tablet", 820, 1180], ["4k", 3840, 2160]]) {
    test(`${name}: nothing is cut off sideways, the sentence and the changeover are on the first screen`, async () => {
      const page = await open({ context: { viewport: { width, height } } });
      for (const scene of await rig.get("/fake/scenes")) {
        await rig.scene(scene);
        await page.waitForTimeout(250);
        const [wide, sentence, control, hold] = await page.evaluate(() => [
          document.documentElement.scrollWidth - innerWidth,
          document.getElementById("headline").getBoundingClientRect().bottom,
          document.querySelector("#holds .hold")?.getBoundingClientRect().bottom ?? 0,
          document.querySelector("#holds .hold")?.getBoundingClientRect().height ?? 99,
        ]);
        assert.ok(wide <= 0, `${scene}: ${wide} px too wide`);
        assert.ok(sentence < height, scene);
        assert.ok(control <= height, `${scene}: changeover ends at ${control}`);
        assert.ok(hold >= 44, `${scene}: ${hold} px is too small for a thumb`);
      }
      quiet();
      await close(page);
    });
  }
});

describe("sizes of the other pages", () => {
  for (const [name, width, height] of [["phone", 360, 640], ["desktop", 1280, 800], ["4k", 3840, 2160]]) {
    test(`${name}: nothing is cut off sideways or laid over anything, and a thumb finds every button`, async () => {
      const page = await open({ path: "/rig", context: { viewport: { width, height } } });
      for (const [path, check] of [["/check", "never"], ["/check", "waiting"], ["/check", "failed"], ["/set"], ["/rig"], ["/why"], ["/shows"]]) {
        await rig.get(`/fake/check/${check ?? "passed"}`);
        await page.goto(rig.url + path);
        await page.waitForSelector("body[data-line=live]");
        if (path === "/check") await page.waitForSelector({ never: "#run", waiting: "#goes", failed: "#wrong li" }[check]);
        const seen = await page.evaluate(() => {
          const box = (n) => n.getBoundingClientRect();
          const shown = (n) => n.checkVisibility({ visibilityProperty: true }) && box(n).height > 0;
          const parts = [...document.querySelectorAll("main > *, main > * > *")].filter((n) => shown(n) && !n.closest(".unseen") && !n.matches(".unseen, legend"));
          const over = parts.flatMap((a, i) => parts.slice(i + 1).filter((b) => !a.contains(b) && !b.contains(a)
            && box(a).bottom - box(b).top > 2 && box(b).bottom - box(a).top > 2 && box(a).right - box(b).left > 2 && box(b).right - box(a).left > 2).map((b) => `${a.id || a.className || a.tagName} and ${b.id || b.className || b.tagName}`));
          const small = [...document.querySelectorAll("main button, main select, main summary, main label:has(input)")].filter((n) => shown(n) && box(n).height < 44).map((n) => n.textContent);
          return { wide: document.documentElement.scrollWidth - innerWidth, over, small };
        });
        assert.deepEqual(seen, { wide: Math.min(0, seen.wide), over: [], small: [] }, `${path} ${check ?? ""}`);
      }
      quiet();
      await close(page);
    });
  }
});

describe("access", () => {
  test("axe finds nothing on /check in any of its states", async () => {
    const page = await open({ path: "/check", context: { bypassCSP: true } });
    for (const [check, there] of [["never", "#run"], ["waiting", "#goes"], ["passed", "#sheet"], ["failed", "#wrong li"]]) {
      await rig.get(`/fake/check/${check}`);
      await page.waitForSelector(there);
      if (check === "never") await page.click("text=Full");
      await page.waitForTimeout(300);
      assert.deepEqual(await axe(page), [], check);
    }
    quiet();
    await close(page);
  });

  for (const [path, scenes] of [["/", ["ready", "latched", "proposal", "many-alarms", "apart", "first-start", "stale", "three"]], ["/why", ["ready"]], ["/rig", ["ready"]], ["/set", ["ready"]], ["/shows", ["ready"]]]) {
    test(`axe finds nothing on ${path}`, async () => {
      const page = await open({ path, context: { bypassCSP: true } });
      for (const scene of scenes) {
        await rig.scene(scene);
        await page.waitForTimeout(400);
        assert.deepEqual(await axe(page), [], scene);
      }
      await close(page);
    });
  }

  test("what matters has a contrast of 7 to 1", async () => {
    // WCAG 2.2, 1.4.6, with relative luminance as defined there.
    const page = await open();
    const pairs = [["ready", "#headline-text"], ["ready", ".track[data-role=on-air] .letter"], ["ready", ".track[data-role=standby] .track-role"], ["ready", "#hold-B .words"], ["ready", "#cost-B"], ["ready", ".song-left b"],
      ["latched", ".flag[data-tone=danger] strong"], ["latched", ".flag[data-tone=abnormal] strong"], ["latched", "[data-kind=force] .words"], ["latched", "#alarms b"], ["latched", "#alarms .dim"], ["proposal", ".question"], ["proposal", ".yes"], ["ready", "h2"]];
    for (const [scene, css] of pairs) {
      await rig.scene(scene);
      await page.waitForSelector(css);
      const ratio = await page.locator(css).first().evaluate((node) => {
        const parse = (c) => c.match(/[\d.]+/g).map(Number);
        const light = (c) => [0.2126, 0.7152, 0.0722].reduce((a, k, i) => a + k * ((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))(c[i] / 255), 0);
        let back = node;
        while (back && /rgba\(\d+, \d+, \d+, 0\)/.test(getComputedStyle(back).backgroundColor)) back = back.parentElement;
        const [a, b] = [light(parse(getComputedStyle(node).color)), light(parse(back ? getComputedStyle(back).backgroundColor : "rgb(0,0,0)"))];
        return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
      });
      assert.ok(ratio >= 7, `${scene} ${css}: ${ratio.toFixed(2)}`);
    }
    await close(page);
  });

  test("without colours every state is still told by its shape and its word", async () => {
    // Seen as people with protanopia, deuteranopia, tritanopia and achromatopsia see (Machado, Oliveira and Fernandes 2009, as Chromium
    // simulates them). A shape must stand out from its ground by 3 to 1 (WCAG 2.2, 1.4.11), and no two may look alike.
    const page = await open({ context: { deviceScaleFactor: 4, bypassCSP: true } });
    const cdp = await page.context().newCDPSession(page);
    const places = [["good", "ready", "#machine-list .shape[data-tone=good]"], ["abnormal", "many-alarms", "#seen-list .shape[data-tone=abnormal]"], ["danger", "many-alarms", "#alarms .shape[data-tone=danger]"],
      ["action", "proposal", "#proposal .shape[data-tone=action]"], ["neutral", "many-alarms", "#alarms .shape[data-tone=neutral]"]];
    for (const type of ["protanopia", "deuteranopia", "tritanopia", "achromatopsia"]) {
      await cdp.send("Emulation.setEmulatedVisionDeficiency", { type });
      const masks = {};
      for (const [tone, scene, css] of places) {
        await rig.scene(scene);
        await page.waitForSelector(css, { state: "attached" });
        await page.evaluate(() => document.getElementById("seen").setAttribute("open", ""));
        const shape = page.locator(css).first();
        assert.match(await shape.evaluate((n) => n.parentElement.textContent), /[a-z]{3}/i, `${tone} has a word beside it`);
        const picture = (await shape.screenshot()).toString("base64");
        const { mask, contrast } = await page.evaluate(async (png) => {
          const image = new Image();
          image.src = `data:image/png;base64,${png}`;
          await image.decode();
          const canvas = new OffscreenCanvas(32, 32);
          const c = canvas.getContext("2d");
          c.drawImage(image, 0, 0, 32, 32);
          const { data } = c.getImageData(0, 0, 32, 32);
          const part = (v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
          const light = Array.from({ length: 1024 }, (_, i) => 0.2126 * part(data[4 * i] / 255) + 0.7152 * part(data[4 * i + 1] / 255) + 0.0722 * part(data[4 * i + 2] / 255));
          const [low, high] = [Math.min(...light), Math.max(...light)];
          return { mask: light.map((l) => l > (low + high) / 2), contrast: (high + 0.05) / (low + 0.05) };
        }, picture);
        assert.ok(contrast >= 3, `${type}: ${tone} stands out by ${contrast.toFixed(1)} only`);
        masks[tone] = mask;
      }
      for (const [i, [a]] of places.entries()) {
        for (const [b] of places.slice(i + 1)) {
          const both = masks[a].filter((on, k) => on && masks[b][k]).length;
          const either = masks[a].filter((on, k) => on || masks[b][k]).length;
          assert.ok(1 - both / either > 0.1, `${type}: ${a} and ${b} share ${Math.round((100 * both) / either)} % of their surface`);
        }
      }
    }
    await close(page);
  });

  test("reduced motion: the picture stands, and still gets its points", async () => {
    const page = await open({ context: { reducedMotion: "reduce" } });
    await page.click("text=10 s");
    const draws = await page.evaluate(() => new Promise((done) => {
      let n = 0;
      const begin = CanvasRenderingContext2D.prototype.setTransform;
      CanvasRenderingContext2D.prototype.setTransform = function (...a) { n++; return begin.apply(this, a); };
      setTimeout(() => done(n), 2000);
    }));
    assert.ok(draws >= 1 && draws <= 5, `${draws} in 2 s`);
    quiet();
    await close(page);
  });

  test("every control is reached by Tab and has a name", async () => {
    await rig.scene("proposal");
    const page = await open();
    await page.waitForSelector("#proposal:not([data-new])");
    const reached = new Set();
    for (let i = 0; i < 60; i++) {
      await page.keyboard.press("Tab");
      const now = await page.evaluate(() => document.activeElement?.textContent?.trim() || document.activeElement?.getAttribute("aria-label") || "");
      if (reached.has(now) && now.startsWith("Watch")) break;
      reached.add(now);
    }
    for (const needed of ["To the changeover control", "Yes: B on air", "Hold: B on air", "Seen", "Observelog only"]) {
      assert.ok([...reached].some((r) => r.startsWith(needed)), `${needed} is not among ${[...reached].join(" | ")}`);
    }
    await close(page);
  });
});

test("the page is light, and nothing is asked of anybody else", async () => {
  const page = await open();
  await page.waitForTimeout(500);
  const sizes = await page.evaluate(() => [...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")]
    .filter((r) => !r.name.includes("/api/")).map((r) => [r.name, r.decodedBodySize]));
  const whole = sizes.reduce((a, [, n]) => a + n, 0);
  assert.ok(sizes.length > 8 && whole > 10_000, JSON.stringify(sizes));
  assert.ok(whole <= HEAVIEST, `${whole} bytes`);
  quiet();
  await close(page);
});

test("the picture has a text beside it and marks what happened", async () => {
  await rig.scene("drifting");
  const page = await open();
  await page.waitForSelector("#offset-text >> text=/gains on it\\. Known to ±0\\.\\d ms\\. It reaches 5 ms in 1 min 11 s/");
  await page.waitForTimeout(500);
  const painted = await page.locator("#picture").evaluate((c) => {
    const { data } = c.getContext("2d").getImageData(0, 0, c.width, c.height);
    const colours = new Set();
    for (let i = 0; i < data.length; i += 4) if (data[i + 3] === 255) colours.add(`${data[i]},${data[i + 1]},${data[i + 2]}`);
    return [..."255,210,63 255,139,125 244,241,232".split(" ")].filter((c) => colours.has(c)).length;
  });
  assert.equal(painted, 3, "warning, limit and line are there");
  await close(page);
});
