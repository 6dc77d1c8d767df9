// The pictures of the README, made by the program itself: `node tour.js [TWINKEEL]`. They land in `pictures/`.

import { spawn } from "node:child_process";
import { mkdirSync, mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { browser } from "./rig.js";

const program = process.argv[2] ?? process.env.TWINKEEL_BIN ?? "../../target/debug/twinkeel";
const out = mkdtempSync(join(tmpdir(), "twinkeel-tour-"));
mkdirSync("pictures", { recursive: true });
const demo = spawn(program, ["demo", "--headless", "--scenario", "on-air-power", "--out", out]);
/** @type {string} */
let said = "";
demo.stdout.on("data", (d) => (said += d));
const ended = new Promise((done) => demo.on("exit", done));

/** @param {RegExp} what */
async function heard(what) {
  for (;;) {
    const m = said.match(what);
    if (m) return m;
    await new Promise((r) => setTimeout(r, 50));
  }
}

const address = (await heard(/http:\/\/[0-9.:]+/))[0];
const chrome = await browser();
const page = await chrome.newPage({ viewport: { width: 1280, height: 800 } });
await page.goto(address);
await page.waitForSelector("body[data-line=live]");
await heard(/show: Start/);
await page.waitForTimeout(5_500);
await page.screenshot({ path: "pictures/watch-ready.png" });
await heard(/broken/);
await page.waitForTimeout(3_000);
await page.screenshot({ path: "pictures/watch-latched.png" });
await ended;
await page.emulateMedia({ colorScheme: "dark" });
await page.goto(pathToFileURL(join(out, "report.html")).href);
await page.waitForTimeout(300);
await page.screenshot({ path: "pictures/report.png" });
await chrome.close();
rmSync(out, { recursive: true });
