// Starts the invented rig and a browser. The rig's binary is $FAKE_DESK, or built here.

import { spawn, execFileSync } from "node:child_process";
import { createServer } from "node:net";
import { existsSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { chromium } from "playwright-core";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const HOME = new URL("../..", import.meta.url).pathname;

/** Debian's Chromium, told to ask nothing of any other host. */
export function browser() {
  const executablePath = process.env.CHROMIUM ?? "/usr/bin/chromium";
  if (!existsSync(executablePath)) throw new Error(`no browser at ${executablePath}: install Debian's package "chromium", or set CHROMIUM`);
  return chromium.launch({
    executablePath,
    headless: true,
    args: ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
  });
}

/**
 * What axe-core finds on a page whose context bypasses its CSP: rule and place. @param {import("playwright-core").Page} page @param {string} [root]
 * @returns {Promise<string[]>}
 */
export async function axe(page, root = "html") {
  if (!await page.evaluate(() => "axe" in window)) await page.evaluate(AXE);
  const found = await page.evaluate((css) => /** @type {any} */ (window).axe.run(css, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }), root);
  return found.violations.map((/** @type {any} */ v) => `${v.id} at ${v.nodes.map((/** @type {any} */ n) => n.target).join(" ")}`);
}

function binary() {
  if (process.env.FAKE_DESK) return process.env.FAKE_DESK;
  const out = execFileSync("cargo", ["build", "-q", "-p", "twinkeel-supervisor", "--example", "fake_desk", "--message-format=json"], { cwd: HOME, maxBuffer: 1 << 28 });
  const built = out.toString().split("\n").filter(Boolean).map((l) => JSON.parse(l)).find((m) => m.executable && m.target?.name === "fake_desk");
  if (!built) throw new Error("cargo built no fake_desk");
  return process.env.FAKE_DESK = built.executable;
}

/** A free port of this computer. */
export function freePort() {
  return new Promise((done, fail) => {
    const s = createServer().listen(0, "127.0.0.1", () => {
      const { port } = s.address();
      s.close((e) => (e ? fail(e) : done(port)));
    });
  });
}

/** @type {Set<Rig>} */
const running = new Set();

/** Ends every rig that is still there, also those of failed tests. */
export const stopAll = () => Promise.all([...running].map((r) => r.stop("SIGKILL")));

/** One running invented rig. */
export class Rig {
  constructor(port, env) {
    this.port = port;
    this.env = env;
    this.url = `http://127.0.0.1:${port}`;
  }

  static async start(scene = "ready", env = {}) {
    const rig = new Rig(await freePort(), env);
    await rig.run(scene);
    return rig;
  }

  async run(scene = "ready") {
    running.add(this);
    this.child = spawn(binary(), [String(this.port), scene], { stdio: ["ignore", "pipe", "inherit"], env: { ...process.env, ...this.env } });
    await new Promise((done, fail) => {
      this.child.stdout.once("data", (line) => {
        // The same hash after a restart, as a configuration would keep it.
        const hash = /hash (\S+)/.exec(String(line));
        if (hash) this.env = { TWINKEEL_FAKE_HASH: hash[1] };
        done();
      });
      this.child.once("exit", (code) => fail(new Error(`fake_desk ended with ${code}`)));
    });
  }

  async get(path) {
    const answer = await fetch(this.url + path);
    if (!answer.ok) throw new Error(`${path}: ${answer.status}`);
    return answer.status === 204 || !answer.headers.get("content-type")?.includes("json") ? null : answer.json();
  }

  scene(name) { return this.get(`/fake/scene/${name}`); }
  acts() { return this.get("/fake/acts"); }

  async stop(signal = "SIGTERM") {
    running.delete(this);
    const { child } = this;
    if (!child || child.exitCode !== null || child.signalCode !== null) return;
    const gone = new Promise((done) => child.once("exit", done));
    child.kill(signal);
    await gone;
  }
}
