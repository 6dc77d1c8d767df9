// Pictures of every scene and size: `node pictures.js [DIRECTORY] [SCENE,...]`. To be looked at by a person.

import { mkdirSync } from "node:fs";
import { Rig, browser } from "./rig.js";

const [out = "pictures", only] = process.argv.slice(2);
const SIZES = { laptop: [1280, 800], phone: [360, 740], tablet: [820, 1180], wall: [3840, 2160] };
mkdirSync(out, { recursive: true });
const rig = await Rig.start();
const chrome = await browser();
const scenes = only ? only.split(",") : await rig.get("/fake/scenes");
for (const [size, [width, height]] of Object.entries(SIZES)) {
  const context = await chrome.newContext({ viewport: { width, height }, hasTouch: size === "phone", reducedMotion: "no-preference" });
  const page = await context.newPage();
  for (const scene of size === "laptop" || only ? scenes : ["ready", "latched", "apart"]) {
    await rig.scene(scene);
    await page.goto(rig.url + "/");
    await page.waitForSelector("body[data-line=live]");
    await page.waitForTimeout(900);
    await page.screenshot({ path: `${out}/${size}-${scene}.png` });
    if (size === "laptop" && ["ready", "many-alarms"].includes(scene)) await page.screenshot({ path: `${out}/${size}-${scene}-whole.png`, fullPage: true });
    if (size === "phone" && scene === "ready") await page.screenshot({ path: `${out}/${size}-${scene}-whole.png`, fullPage: true });
  }
  if (size === "laptop" && !only) {
    const cdp = await context.newCDPSession(page);
    for (const type of ["protanopia", "deuteranopia", "tritanopia", "achromatopsia"]) {
      await cdp.send("Emulation.setEmulatedVisionDeficiency", { type });
      await rig.scene("many-alarms");
      await page.goto(`${rig.url}/`);
      await page.waitForSelector("#alarms li");
      await page.waitForTimeout(700);
      await page.screenshot({ path: `${out}/${size}-${type}.png` });
    }
    await cdp.send("Emulation.setEmulatedVisionDeficiency", { type: "none" });
    for (const check of ["never", "waiting", "passed", "failed"]) {
      await rig.get(`/fake/check/${check}`);
      await page.goto(`${rig.url}/check`);
      await page.waitForSelector("body[data-line=live]");
      await page.waitForTimeout(500);
      await page.screenshot({ path: `${out}/${size}-check-${check}.png`, fullPage: true });
    }
    for (const place of ["why", "rig", "shows", "set"]) {
      await rig.scene("ready");
      await page.goto(`${rig.url}/${place}`);
      await page.waitForSelector("body[data-line=live]");
      await page.waitForTimeout(700);
      await page.screenshot({ path: `${out}/${size}-page-${place}.png` });
    }
    await rig.scene("apart");
    await page.goto(rig.url + "/");
    await page.waitForSelector("#hold-B");
    await page.hover("#hold-B");
    await page.mouse.down();
    await page.waitForTimeout(450);
    await page.screenshot({ path: `${out}/${size}-holding.png` });
    await page.waitForTimeout(500);
    await page.mouse.up();
    await page.screenshot({ path: `${out}/${size}-second-step.png` });
    await rig.scene("ready");
    await page.waitForTimeout(300);
    await rig.stop("SIGKILL");
    await page.waitForTimeout(1500);
    await page.screenshot({ path: `${out}/${size}-lost.png` });
    await rig.run();
  }
  await context.close();
}
await chrome.close();
await rig.stop();
