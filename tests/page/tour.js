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
/** A demo of a scenario: what it says can be waited for. @param {string} scenario */
function play(scenario) {
  const demo = spawn(program, ["demo", "--headless", "--scenario", scenario, "--out", join(out, scenario)]);
  let said = "";
  demo.stdout.on("data", (d) => (said += d));
  /** @param {RegExp} what */
  const heard = async (what) => {
    for (;;) {
      const m = said.match(what);
      if (m) return m;
      await new Promise((r) => setTimeout(r, 50));
    }
  };
  return { demo, heard, ended: new Promise((done) => demo.on("exit", done)) };
}

const { heard, ended } = play("on-air-power");
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
await page.goto(pathToFileURL(join(out, "on-air-power", "report.html")).href);
await page.waitForTimeout(300);
await page.screenshot({ path: "pictures/report.png" });

// Before doors: a quick check of a rig that is right.
const quiet = play("quiet-show");
const doors = (await quiet.heard(/http:\/\/[0-9.:]+/))[0];
await quiet.heard(/show: Start/);
const check = spawn(program, ["check", "--quick", "--by", "Mara", "--page", doors.replace("http://", "")]);
await new Promise((done) => check.on("exit", done));
await page.goto(`${doors}/check`);
await page.waitForTimeout(700);
await page.screenshot({ path: "pictures/check.png" });
quiet.demo.kill("SIGINT");
await quiet.ended;
await chrome.close();
rmSync(out, { recursive: true });
