// What a sheet does in a browser and on paper: it loads nothing, fits every width, can be read by everyone, and prints whole.
// Says nothing of how it looks to a person; the screenshots and the PDF are for that.
import assert from "node:assert/strict";
import { mkdirSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";

const require = createRequire(new URL("../page/checks.mjs", import.meta.url));
const { chromium } = require("playwright-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const folder = resolve(process.argv[2]);
const shots = join(folder, "shots");
mkdirSync(shots, { recursive: true });
const FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"];
const SIZES = { phone: [360, 640], tablet: [768, 1024], desktop: [1280, 800] };
const browser = await chromium.launch({ executablePath: "/usr/bin/chromium", args: FLAGS });

async function open(name, size, light) {
  const [width, height] = SIZES[size];
  // The page's policy stays; what it forbids is told on the console. The checks themselves come in past it, below.
  const context = await browser.newContext({ viewport: { width, height }, colorScheme: light, hasTouch: true });
  const page = await context.newPage();
  const strays = [], faults = [];
  const own = pathToFileURL(join(folder, `${name}.html`)).href;
  page.on("request", (request) => { if (request.url().split("#")[0] !== own) strays.push(request.url()); });
  page.on("pageerror", (error) => faults.push(String(error)));
  page.on("console", (message) => faults.push(message.text()));
  await page.goto(own);
  return { page, context, strays, faults };
}

/** Nothing serious by the rules of WCAG 2.2 A and AA that a program can judge. */
async function accessible(page, name) {
  await page.evaluate(axe);
  const found = await page.evaluate(() => window.axe.run(document, {
    runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
  }));
  assert(found.passes.length > 10, `${name}: axe judged hardly anything`);
  const bad = found.violations.filter((rule) => ["serious", "critical"].includes(rule.impact));
  const said = bad.map((rule) => `${rule.id}: ${rule.nodes.slice(0, 3).map((node) => node.html + node.failureSummary).join("; ")}`);
  assert.deepEqual(said, [], name);
  return found.violations.map((rule) => `${rule.id} (${rule.impact})`);
}

/** Nothing is wider than the window but what scrolls in a box of its own, and every such box can be reached by the keyboard. */
async function fits(page, name) {
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  assert(wide <= 0, `${name}: the page scrolls sideways by ${wide} px`);
  const boxes = await page.evaluate(() => [...document.querySelectorAll("body *")]
    .filter((one) => one.scrollWidth > one.clientWidth + 1 && ["auto", "scroll"].includes(getComputedStyle(one).overflowX))
    .map((one) => ({ name: one.getAttribute("aria-label"), index: one.tabIndex })));
  for (const box of boxes) assert(box.name && box.index === 0, `${name}: a box that scrolls has no name or no place: ${JSON.stringify(box)}`);
}

const sheets = ["card", "card-in-miles", "run"];
for (const [at, name] of sheets.entries()) {
  for (const size of Object.keys(SIZES)) {
    for (const light of ["light", "dark"]) {
      if (at > 0 && (size === "tablet" || light === "dark")) continue;
      const told = `${name}, ${size}, ${light}`;
      const { page, context, strays, faults } = await open(name, size, light);
      await fits(page, told);
      const large = await page.locator(".chief .figure b").first().innerText();
      assert.match(large, /^[0-9.]+$/, told);
      await page.screenshot({ path: join(shots, `${name}-${size}-${light}.png`), fullPage: true });
      assert.deepEqual(strays, [], told);
      assert.deepEqual(faults, [], told);
      const lesser = await accessible(page, told);
      if (lesser.length > 0) console.log(`   (lesser findings, ${told}: ${lesser})`);
      await context.close();
    }
  }
}

// On paper: the same figures, no plot or row over two pages (their boxes are no higher than a page), in A4 and Letter.
const { page, context } = await open("card", "desktop", "light");
for (const format of ["A4", "Letter"]) {
  const pdf = await page.pdf({ path: join(folder, `card-${format}.pdf`), format, printBackground: true });
  const pages = pdf.toString("latin1").match(/\/Type\s*\/Page[^s]/g).length;
  assert(pages >= 4 && pages <= 20, `${format}: ${pages} pages`);
}
await page.emulateMedia({ media: "print" });
await page.setViewportSize({ width: 680, height: 1000 });
const tall = await page.evaluate(() => [...document.querySelectorAll("figure")].map((one) => one.getBoundingClientRect().height));
assert(tall.length > 0 && tall.every((height) => height < 950), `a plot is higher than a page: ${tall}`);
const overflow = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
assert(overflow <= 0, `the printed page is too wide by ${overflow} px`);
assert.equal(await page.locator("nav").isVisible(), false);
await context.close();

// Without any style the sheet still reads in order, and scripts are not allowed at all.
const bare = await browser.newContext({ javaScriptEnabled: false });
const plain = await bare.newPage();
await plain.goto(pathToFileURL(join(folder, "card.html")).href);
assert.match(await plain.content(), /default-src 'none'/);
await bare.close();
await browser.close();
console.log("the sheet, in a browser: fits, reads, prints, loads nothing");
