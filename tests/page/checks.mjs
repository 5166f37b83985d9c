// What the page does in a browser: live values, lost connections, marks, sizes, light, keyboard, accessibility, load.
// Says nothing of how it looks to a person; the screenshots are for that.
import assert from "node:assert/strict";
import { spawn } from "node:child_process";
import { mkdirSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { get } from "node:http";
import { createRequire } from "node:module";
import { connect } from "node:net";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { chromium } from "playwright-core";
import { Served, freePort, sleep } from "./served.mjs";

const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const folder = process.argv[2];
mkdirSync(folder, { recursive: true });
const FLAGS = [
  "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
  "--disable-component-update", "--disable-sync",
];
const SIZES = { phone: [360, 640], tall: [390, 844], tablet: [768, 1024], wide: [1280, 800] };
const NONE = "–";

const served = new Served(await freePort());
await served.start();
// Playwright gives each launch a new, empty profile.
const browser = await chromium.launch({ executablePath: "/usr/bin/chromium", args: FLAGS });
const strays = [], faults = [];

async function open(size, light = "light", { pass = true, motion = "no-preference" } = {}) {
  const [width, height] = SIZES[size];
  const context = await browser.newContext({ viewport: { width, height }, colorScheme: light, reducedMotion: motion, hasTouch: true });
  const page = await context.newPage();
  page.on("request", (request) => { if (new URL(request.url()).origin !== served.origin) strays.push(request.url()); });
  page.on("pageerror", (error) => faults.push(String(error)));
  page.on("console", (message) => { if (/Content Security Policy/.test(message.text())) faults.push(message.text()); });
  await page.goto(pass ? `${served.origin}/?token=${served.token}` : served.origin);
  await page.waitForFunction((none) => document.getElementById("next-way").textContent !== none, NONE);
  return page;
}

const text = (page, selector) => page.locator(selector).first().innerText();
const line = (key) => `[data-key="${key}"] dd`;
const shot = (page, name) => page.screenshot({ path: join(folder, `${name}.png`) });

/** Everything that matters lies within the window, whole, and nothing is wider than it. */
async function fits(page, name, more = []) {
  const wanted = [
    "#next", line("arrival"), line("last"), line("soc"), line("energy"), line("distance"), line("speed"),
    line("last_10_km"), "nav", "#kept", ...more,
  ];
  const { width, height } = page.viewportSize();
  const main = await page.locator("main").boundingBox();
  for (const selector of wanted) {
    const box = await page.locator(selector).first().boundingBox();
    assert(box && box.width > 0 && box.height > 0, `${name}: ${selector} is not shown`);
    const bottom = /^nav|^#kept/.test(selector) ? height : main.y + main.height;
    const inside = box.x >= 0 && box.y >= 0 && box.x + box.width <= width + 0.5 && box.y + box.height <= bottom + 0.5;
    assert(inside, `${name}: ${selector} is not within the window: ${JSON.stringify(box)} of ${width} x ${bottom}`);
  }
  const wide = await page.evaluate(() => document.querySelector("main").scrollWidth - document.querySelector("main").clientWidth);
  assert(wide <= 0, `${name}: it scrolls sideways by ${wide} px`);
  const keys = await page.locator("nav button").evaluateAll((all) => all.map((key) => key.getBoundingClientRect().height));
  assert(keys.every((key) => key >= 44), `${name}: keys of ${keys} px`);
}

/** Nothing serious by the rules of WCAG 2.2 A and AA that a program can judge. */
async function accessible(page, name) {
  await page.evaluate(axe);
  const found = await page.evaluate(() => window.axe.run(document, {
    runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
  }));
  assert(found.passes.length > 10, `${name}: axe judged hardly anything`);
  const bad = found.violations.filter((rule) => ["serious", "critical"].includes(rule.impact));
  const said = bad.map((rule) => `${rule.id}: ${rule.nodes.map((node) => node.html + node.failureSummary).join("; ")}`);
  assert.deepEqual(said, [], name);
  return found.violations.map((rule) => rule.id);
}

const checks = {
  async "the link becomes a cookie that no script sees"() {
    const page = await open("phone");
    assert.equal(page.url(), `${served.origin}/`);
    const [cookie] = await page.context().cookies();
    assert(cookie.httpOnly && cookie.sameSite === "Strict" && !cookie.value.includes(served.token));
    assert.equal(await page.evaluate(() => document.cookie), "");
    await page.context().close();
  },

  async "values change as they come, and those who cannot see are told only what changed"() {
    const page = await open("phone");
    await page.evaluate(() => {
      window.spoken = 0;
      const count = (records) => { window.spoken += records.length; };
      for (const id of ["say", "shout"]) new MutationObserver(count).observe(document.getElementById(id), { childList: true, characterData: true, subtree: true });
    });
    const seen = new Set();
    for (let at = 0; at < 24; at += 1) { seen.add(await text(page, "#next-way")); seen.add(await text(page, line("speed"))); await sleep(250); }
    assert(seen.size >= 4, `in 6 s only ${[...seen]}`);
    assert.equal(await page.evaluate(() => window.spoken), 0, "the live regions chatter");
    assert.match(await page.locator("#say").textContent(), /^(Turn|Arrive) at .+, in [\d.]+ k?m$/);
    await page.context().close();
  },

  async "what matters fits phones and tablets, by day and night"() {
    for (const size of Object.keys(SIZES)) {
      for (const light of ["light", "dark"]) {
        const page = await open(size, light);
        await shot(page, `${size}-${light}`);
        await fits(page, `${size} ${light}`, ["#road"]);
        const small = await accessible(page, `${size} ${light}`);
        if (small.length > 0) console.log(`   (lesser findings, ${size} ${light}: ${small})`);
        if (size === "phone") {
          await page.locator("main").evaluate((main) => main.scrollTo(0, main.scrollHeight));
          await shot(page, `${size}-${light}-below`);
        }
        await page.context().close();
      }
    }
  },

  async "an alarm takes the width, is seen once, and 'go now' is loud"() {
    served.say("alarm");
    served.say("loud");
    const page = await open("phone", "dark");
    await page.locator("#alarm").waitFor();
    await page.locator("#loud").waitFor();
    assert.equal((await page.locator("#alarm").boundingBox()).width, 360);
    assert.match(await text(page, "#loud"), /charger now/);
    assert.match(await page.locator("#shout").textContent(), /charger now.+No fix/);
    for (const selector of ["#alarm", "#loud", "#next", line("arrival"), line("soc"), line("distance")]) {
      const box = await page.locator(selector).first().boundingBox();
      assert(box.y + box.height <= 640 - 62, `${selector} lies below: ${JSON.stringify(box)}`);
    }
    await accessible(page, "alarm");
    await shot(page, "phone-dark-alarm");
    await page.locator("#light").click();
    await accessible(page, "alarm by day");
    await shot(page, "phone-light-alarm");
    await page.locator("#alarm-seen").click();
    assert.deepEqual(await served.line((found) => found.acknowledge), { acknowledge: "source.sky" });
    await page.locator("#alarm").waitFor({ state: "hidden" });
    served.say("quiet");
    served.say("calm");
    await page.context().close();
  },

  async "marks reach the recorder, with a receipt"() {
    const page = await open("phone");
    await page.getByRole("button", { name: "Turned" }).click();
    assert.deepEqual(await served.line((found) => found.mark), { mark: "turned", value: null, text: "" });
    await page.locator("#receipts li", { hasText: /^Noted at \d\d:\d\d:\d\d: turned/ }).waitFor();
    await shot(page, "phone-light-receipt");
    await page.getByRole("button", { name: "A mistake" }).click();
    assert.match((await served.line((found) => found.mark === "note")).text, /^by mistake: turned at /);
    await page.getByRole("button", { name: "Shows 0 %" }).click();
    assert.equal((await served.line((found) => found.mark)).mark, "shows_zero");
    await page.getByRole("button", { name: "Charge", exact: true }).click();
    await page.keyboard.type("410");
    await page.keyboard.press("Enter");
    await page.getByText("A number from 0 to 100.").waitFor();
    await accessible(page, "entry");
    await shot(page, "phone-light-entry");
    await page.locator("#number").fill("41,5");
    await page.keyboard.press("Enter");
    assert.deepEqual(await served.line((found) => found.mark), { mark: "soc", value: 41.5, text: "" });
    await page.getByRole("button", { name: "More" }).click();
    await accessible(page, "more");
    await shot(page, "phone-light-more");
    await page.getByRole("button", { name: "Displayed rest" }).click();
    await page.locator("#number").fill("84");
    await page.getByRole("button", { name: "Note it" }).click();
    assert.equal((await served.line((found) => found.mark === "displayed_rest")).value, 84000);
    for (const [name, fill, wanted] of [["Climate", "21 degC", "climate"], ["Note", "rain begins", "note"]]) {
      await page.getByRole("button", { name: "More" }).click();
      await page.locator("#more-dialog").getByRole("button", { name, exact: true }).click();
      await page.locator("#text").fill(fill);
      await page.keyboard.press("Enter");
      assert.deepEqual(await served.line((found) => found.mark === wanted), { mark: wanted, value: null, text: fill });
    }
    await page.getByRole("button", { name: "More" }).click();
    await page.getByRole("button", { name: "Power warning" }).click();
    assert.equal((await served.line((found) => found.mark)).mark, "power_warning");
    await page.getByRole("button", { name: "More" }).click();
    await page.getByRole("button", { name: "Charger taken" }).click();
    await page.getByRole("button", { name: "Underfell" }).click();
    assert.deepEqual(await served.line((found) => "taken" in found), { taken: "Underfell" });
    await page.locator("#receipts li", { hasText: /Underfell is taken/ }).waitFor();
    assert.equal(await page.locator("#receipts li").count(), 1, "receipts pile up");
    await page.context().close();
  },

  async "who has no pass reads, and is told that nothing was noted"() {
    const page = await open("phone", "light", { pass: false });
    await page.getByRole("button", { name: "Turned" }).click();
    await page.locator("#receipts li.failed", { hasText: /NOT noted: turned \(open the link/ }).waitFor();
    await accessible(page, "not noted");
    await shot(page, "phone-light-not-noted");
    await page.getByRole("button", { name: "Put away" }).click();
    assert.equal(await page.locator("#receipts li").count(), 0);
    await page.context().close();
  },

  async "before pulling away the checks lead"() {
    served.say("stand");
    const [width, height] = SIZES.phone;
    const context = await browser.newContext({ viewport: { width, height } });
    const page = await context.newPage();
    await page.goto(served.origin);
    await page.locator("#before").waitFor();
    assert.match(await text(page, "#before h2"), /not yet/);
    assert.match(await text(page, "#checks li"), /^not yet\s+Tyres: not written down; write/i);
    await accessible(page, "before");
    await shot(page, "phone-light-before");
    served.say("drive");
    await page.locator("#before").waitFor({ state: "hidden" });
    await context.close();
  },

  async "it works from the keyboard, and nothing moves where that is not wanted"() {
    const page = await open("phone", "light", { motion: "reduce" });
    const reached = new Set();
    for (let at = 0; at < 12; at += 1) {
      await page.keyboard.press("Tab");
      reached.add(await page.evaluate(() => {
        const node = document.activeElement;
        if (node === document.body) return "the end";
        return getComputedStyle(node).outlineStyle === "none" ? `${node.id}: no outline` : node.id || node.textContent;
      }));
    }
    for (const wanted of ["light", "care", "Turned", "Charge", "Shows 0\u00a0%", "more"]) assert(reached.has(wanted), `${wanted} of ${[...reached]}`);
    assert(![...reached].some((name) => name.includes("no outline")));
    await page.locator("#care").focus();
    await page.keyboard.press("Enter");
    await page.getByText("The driver drives; a passenger works the computer.").waitFor();
    await accessible(page, "cautions");
    await shot(page, "phone-light-cautions");
    await page.keyboard.press("Escape");
    assert.equal(await page.locator("#care-dialog").isVisible(), false);
    await page.locator("nav button").first().focus();
    await page.keyboard.press("Enter");
    const item = page.locator("#receipts li").first();
    await item.waitFor();
    assert.equal(await item.evaluate((node) => getComputedStyle(node).animationName), "none");
    await page.context().close();
  },

  async "miles are miles"() {
    served.say("miles");
    const page = await open("phone");
    await page.waitForFunction(() => / mi$/.test(document.getElementById("next-way").textContent));
    assert.match(await text(page, line("speed")), /mph$/);
    assert.match(await text(page, line("leg")), /mi\/kWh$/);
    await fits(page, "miles");
    await page.context().close();
  },

  async "a recorder that falls silent, and a server that goes and comes back"() {
    const page = await open("phone", "dark");
    const lost = page.locator("#lost");
    const gone = async (stop, says) => {
      const began = Date.now();
      await stop();
      await lost.waitFor({ timeout: 4600 });
      // The last moment is up to a second old when it stops.
      const shown = Date.now() - began;
      assert(shown > 900 && shown < 3100, `lost was shown after ${shown} ms`);
      assert.notEqual(await text(page, "#next-way"), NONE, "blanked too early");
      await page.waitForFunction((none) => document.getElementById("next-way").textContent === none, NONE, { timeout: 5000 });
      const blanked = Date.now() - began;
      assert(blanked > 3500 && blanked < 5100, `blanked after ${blanked} ms`);
      const values = await page.locator("main dd:first-of-type").evaluateAll((all) => all.filter((value) => value.checkVisibility()).map((value) => value.textContent));
      assert(values.length > 8 && values.every((value) => value === NONE), `still shown: ${values}`);
      await page.getByText(says).first().waitFor();
      return shown;
    };
    const back = async (start) => {
      const began = Date.now();
      await start();
      await lost.waitFor({ state: "hidden", timeout: 9000 });
      assert.notEqual(await text(page, "#next-way"), NONE);
      return Date.now() - began;
    };
    await gone(() => served.say("hold"), /The recorder says nothing new/);
    await back(() => served.say("go on"));
    const shown = await gone(() => served.kill(), /Connection lost/);
    await accessible(page, "lost");
    await shot(page, "phone-dark-lost");
    await sleep(3000);
    const came = await back(() => served.start());
    console.log(`   (lost shown after ${shown} ms, back ${came} ms after the server)`);
    // The pass outlives the server.
    await page.getByRole("button", { name: "Turned" }).click();
    await served.line((found) => found.mark === "turned");
    await page.context().close();
  },

  async "the daemon itself serves it, over a rehearsal"() {
    const data = join(mkdtempSync(join(tmpdir(), "drawdown-rehearsal-")), "data"), port = await freePort();
    const drive = spawn("target/debug/drawdown", [
      "rehearse", "recordings/demo-course.toml", "--speed", "20x", "--page", `127.0.0.1:${port}`, "--data", data,
    ], { stdio: "ignore" });
    const ended = new Promise((done) => drive.on("exit", done));
    try {
      const token = () => readFileSync(join(data, "page-token"), "utf8").trim();
      const until = Date.now() + 20_000;
      let page = null;
      while (!page) {
        assert(Date.now() < until && drive.exitCode === null, "the rehearsal serves no page");
        await sleep(250);
        const [width, height] = SIZES.phone;
        const context = await browser.newContext({ viewport: { width, height } });
        page = await context.newPage();
        try { await page.goto(`http://127.0.0.1:${port}/?token=${token()}`); } catch { await context.close(); page = null; }
      }
      await page.waitForFunction(() => / km$/.test(document.getElementById("next-way").textContent), null, { timeout: 15_000 });
      await page.getByText("Rehearsal: an invented car is driven").waitFor();
      const before = await text(page, line("driven"));
      await page.waitForFunction(([selector, was]) => document.querySelector(selector).innerText !== was, [line("driven"), before], { timeout: 15_000 });
      await page.getByRole("button", { name: "Turned" }).click();
      await page.locator("#receipts li", { hasText: /^Noted at/ }).waitFor();
      await fits(page, "rehearsal");
      await shot(page, "phone-light-rehearsal");
      await page.context().close();
    } finally {
      drive.kill("SIGINT");
      const forced = setTimeout(() => drive.kill("SIGKILL"), 20_000);
      await ended;
      clearTimeout(forced);
      rmSync(dirname(data), { recursive: true });
    }
  },

  async "fifty who watch and one who never reads"() {
    served.say("fast");
    const before = served.memory();
    const lazy = connect(served.port, "127.0.0.1", () => lazy.write("GET /events HTTP/1.1\r\nHost: localhost\r\n\r\n"));
    lazy.pause();
    const watchers = Array.from({ length: 50 }, () => {
      const watcher = { gaps: [], last: 0 };
      watcher.request = get(`${served.origin}/events`, (answer) => answer.on("data", (bytes) => {
        const now = Date.now();
        if (!bytes.includes("event: board")) return;
        if (watcher.last) watcher.gaps.push(now - watcher.last);
        watcher.last = now;
      }));
      watcher.request.on("error", () => {});
      return watcher;
    });
    await sleep(10_000);
    const after = served.memory();
    const gaps = watchers.flatMap((watcher) => watcher.gaps);
    const least = Math.min(...watchers.map((watcher) => watcher.gaps.length));
    watchers.forEach((watcher) => watcher.request.destroy());
    lazy.destroy();
    console.log(`   (${gaps.length} events, longest gap ${Math.max(...gaps)} ms, memory ${before} kB, then ${after} kB)`);
    assert(least >= 8, `one got only ${least + 1} events in 10 s`);
    assert(Math.max(...gaps) < 2000, `one waited ${Math.max(...gaps)} ms`);
    assert(after - before < 12_000, `memory grew from ${before} to ${after} kB`);
  },
};

let failed = 0;
const only = process.argv[3];
for (const [name, check] of Object.entries(checks).filter(([name]) => !only || name.includes(only))) {
  const began = Date.now();
  try {
    await served.alive();
    await check();
    console.log(`ok   ${name} (${((Date.now() - began) / 1000).toFixed(1)} s)`);
  } catch (error) {
    failed += 1;
    console.log(`FAILED ${name}\n${error.stack ?? error}`);
  }
}
await browser.close();
await served.alive();
served.say("end");
const { slowest_show_ms: slowest } = await served.line((found) => "slowest_show_ms" in found);
await served.finish();
console.log(`   (slowest showing of a moment ${slowest.toFixed(2)} ms)`);
if (slowest > 100) { failed += 1; console.log(`FAILED the loop was held up for ${slowest} ms`); }
for (const [what, found] of [["requests left the origin", strays], ["faults of the page", faults]]) {
  if (found.length > 0) { failed += 1; console.log(`FAILED ${what}: ${found}`); }
}
console.log(failed === 0 ? "page: all checks passed" : `page: ${failed} checks failed`);
process.exit(failed === 0 ? 0 : 1);
