// Opens reports in headless Chromium and checks what a reader would notice.
//
//   node check.mjs FOLDER-FOR-SCREENSHOTS REPORT.html...
//
// Each report is opened from disk, as from a mail attachment, at the width of a phone, a laptop and a
// sheet of paper, light and dark. A check that fails is named; the exit status is 1.
// Accessibility: axe-core's rules for WCAG 2.0 to 2.2, levels A and AA.
import { chromium } from "playwright-core";
import { createRequire } from "node:module";
import { mkdirSync, readFileSync } from "node:fs";
import { basename, dirname, resolve } from "node:path";
import { pathToFileURL } from "node:url";

const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const [shots, ...reports] = process.argv.slice(2);
if (!shots || reports.length === 0) {
  console.error("usage: node check.mjs FOLDER-FOR-SCREENSHOTS REPORT.html...");
  process.exit(2);
}
mkdirSync(shots, { recursive: true });

// CSS pixels. Print: 210 mm and 8.5 inches less the page's margins of 13 mm, at 96 pixels an inch.
const MARGIN = (2 * 13 * 96) / 25.4;
const VIEWS = [
  { name: "phone", width: 360, height: 740, scheme: "light", media: "screen" },
  { name: "phone-dark", width: 360, height: 740, scheme: "dark", media: "screen" },
  { name: "laptop", width: 1366, height: 800, scheme: "light", media: "screen" },
  { name: "laptop-dark", width: 1366, height: 800, scheme: "dark", media: "screen" },
  { name: "print-a4", width: Math.floor(793.7 - MARGIN), height: Math.floor(1122.5 - MARGIN), scheme: "light", media: "print" },
  { name: "print-letter", width: Math.floor(816 - MARGIN), height: Math.floor(1056 - MARGIN), scheme: "light", media: "print" },
];

// What each language's page says.
const WORDS = {
  en: { wanted: ["Measured:", "What this does not show", "Where the numbers come from", "Safety", "Method"], seat: "Worst seat", copied: "Copied" },
  de: { wanted: ["Gemessen:", "Was daraus nicht hervorgeht", "Woher die Zahlen stammen", "Sicherheit", "Methode"], seat: "Ungünstigster Platz", copied: "Kopiert" },
};

let passed = 0;
const failures = [];
function check(ok, what) {
  if (ok) passed += 1;
  else {
    failures.push(what);
    console.error(`FAILED ${what}`);
  }
}

// Runs in the page: what sticks out, what is cut, what lies on top of other text.
function layout() {
  const wide = document.documentElement.clientWidth;
  const out = [];
  for (const element of document.body.querySelectorAll("*")) {
    if (element.closest(".scroll, .hidden, .skip, textarea") || element.closest("svg svg, svg *")) continue;
    const box = element.getBoundingClientRect();
    if (box.width > 0 && box.right > wide + 1) out.push(`${element.tagName.toLowerCase()}.${element.className} ends at ${box.right}`);
  }
  const cut = [];
  const over = [];
  const small = [];
  for (const figure of document.querySelectorAll("svg.figure")) {
    const view = figure.viewBox.baseVal;
    const texts = [...figure.querySelectorAll("text")].map((text) => ({ text: text.textContent, box: text.getBoundingClientRect() }));
    const frame = figure.getBoundingClientRect();
    if (frame.width === 0) continue;
    const least = Math.min(...[...figure.querySelectorAll("text")].map((text) => parseFloat(text.getAttribute("font-size")))) * (frame.width / view.width);
    if (least < 9) small.push(`letters of ${least.toFixed(1)} px in a figure of ${view.width} units`);
    for (const { text, box } of texts) {
      if (box.left < frame.left - 1.5 || box.right > frame.right + 1.5 || box.top < frame.top - 3 || box.bottom > frame.bottom + 3)
        cut.push(`“${text}” in a figure of ${view.width} by ${view.height}`);
    }
    texts.forEach((a, i) => {
      for (const b of texts.slice(i + 1)) {
        const x = Math.min(a.box.right, b.box.right) - Math.max(a.box.left, b.box.left);
        const y = Math.min(a.box.bottom, b.box.bottom) - Math.max(a.box.top, b.box.top);
        if (x > 1 && y > 0.35 * Math.min(a.box.height, b.box.height)) over.push(`“${a.text}” and “${b.text}”`);
      }
    });
  }
  return { scroll: document.documentElement.scrollWidth - wide, out: out.slice(0, 5), cut: cut.slice(0, 5), over: over.slice(0, 5), small };
}

async function look(page, view, name) {
  const found = await page.evaluate(layout);
  check(found.scroll <= 0, `${name}: the page is ${found.scroll} px wider than its window`);
  check(found.out.length === 0, `${name}: sticks out: ${found.out.join("; ")}`);
  check(found.cut.length === 0, `${name}: text leaves its figure: ${found.cut.join("; ")}`);
  if (view.media === "screen") check(found.small.length === 0, `${name}: too small: ${found.small.slice(0, 5).join("; ")}`);
  check(found.over.length === 0, `${name}: text on text: ${found.over.join("; ")}`);
}

// Sentences in tables are read without scrolling where there is a laptop's room.
async function sentences(page, name) {
  const cut = await page.evaluate(() =>
    [...document.querySelectorAll(".scroll")]
      .filter((region) => region.querySelector("td.sentence") && region.scrollWidth > region.clientWidth + 1)
      .map((region) => `${region.getAttribute("aria-label")}: ${region.scrollWidth} of ${region.clientWidth} px`),
  );
  check(cut.length === 0, `${name}: cut tables: ${cut.join("; ")}`);
}

async function text(page, name) {
  const all = await page.evaluate(() => document.body.innerText);
  const said = WORDS[await page.evaluate(() => document.documentElement.lang)];
  for (const wanted of said.wanted) check(all.includes(wanted), `${name}: “${wanted}” is missing`);
  // A null plane is one of the trade; a bare null is no number.
  const numbers = all.replace(/\ba null\b|\bnull (plane|line)s?\b/g, "");
  check(!/\b(NaN|undefined|null|Infinity|inf)\b/.test(numbers), `${name}: a number that is none: ${numbers.match(/.{20}\b(NaN|undefined|null|Infinity|inf)\b.{20}/)?.[0]}`);
  check((await page.title()).length > 10, `${name}: the page has no title`);
}

async function accessible(page, name) {
  // The page's policy forbids foreign scripts; this runs outside of it, over the debugger.
  await page.evaluate(axe);
  const result = await page.evaluate(() =>
    window.axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }),
  );
  check(result.passes.length > 10, `${name}: axe ran ${result.passes.length} rules`);
  for (const v of result.violations)
    check(false, `${name}: axe ${v.id} (${v.impact}): ${v.help}: ${v.nodes.slice(0, 2).map((n) => n.html.slice(0, 160)).join(" | ")}`);
  check(true, "");
}

async function keyboard(page, name) {
  await page.evaluate(() => document.querySelectorAll("details").forEach((d) => (d.open = true)));
  const wanted = await page.evaluate(() => {
    const all = [...document.querySelectorAll("a[href], button, summary, [tabindex='0']")];
    all.forEach((element, k) => (element.dataset.order = k));
    return all.length;
  });
  const reached = new Set();
  let unseen = "";
  for (let k = 0; k < wanted + 5; k += 1) {
    await page.keyboard.press("Tab");
    const at = await page.evaluate(() => {
      const element = document.activeElement;
      const style = getComputedStyle(element);
      return { order: element.dataset.order, ring: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2, tag: element.tagName };
    });
    if (at.order !== undefined) {
      reached.add(at.order);
      if (!at.ring) unseen = at.tag;
    }
  }
  check(reached.size === wanted, `${name}: Tab reaches ${reached.size} of ${wanted} controls`);
  check(unseen === "", `${name}: focus can't be seen on ${unseen}`);
  const row = page.locator("ol.rows summary").first();
  if (await row.count()) {
    await row.evaluate((element) => (element.parentElement.open = false));
    await row.focus();
    await page.keyboard.press("Enter");
    check(await row.evaluate((element) => element.parentElement.open), `${name}: Enter opens no row`);
  }
  const head = page.locator("table.data th button").first();
  if (await head.count()) {
    await head.focus();
    await page.keyboard.press("Enter");
    const sorted = await head.evaluate((element) => {
      const column = element.closest("th").cellIndex;
      const body = element.closest("table").tBodies[0];
      const values = [...body.rows].map((r) => parseFloat(r.cells[column].textContent.replace("\u2212", "-").replace(",", "."))).filter((v) => !Number.isNaN(v));
      return element.closest("th").ariaSort === "ascending" && values.every((v, k) => k === 0 || v >= values[k - 1]);
    });
    check(sorted, `${name}: Enter on a column's head sorts nothing`);
  }
  const copy = page.locator("button.copy").first();
  if (await copy.count()) {
    await copy.focus();
    await page.keyboard.press("Enter");
    check((await copy.textContent()) === WORDS[await page.evaluate(() => document.documentElement.lang)].copied, `${name}: the copy button copies nothing`);
  }
}

// The whole answer stands on the first printed sheet.
async function firstSheet(page, view, name) {
  const bottom = await page.evaluate(() => document.querySelector("#answer").getBoundingClientRect().bottom + window.scrollY);
  check(bottom <= view.height, `${name}: the answer is ${Math.ceil(bottom)} px high, the sheet ${view.height}`);
}

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
});
for (const report of reports) {
  for (const view of VIEWS) {
    const name = `${basename(dirname(resolve(report)))} ${view.name}`;
    const context = await browser.newContext({ viewport: { width: view.width, height: view.height }, colorScheme: view.scheme, deviceScaleFactor: 1.5 });
    const page = await context.newPage();
    const said = [];
    page.on("console", (message) => said.push(message.text()));
    page.on("pageerror", (error) => said.push(String(error)));
    page.on("requestfailed", (request) => said.push(`request ${request.url().slice(0, 80)}`));
    page.on("dialog", (dialog) => { said.push(`dialog ${dialog.message()}`); dialog.dismiss(); });
    await page.emulateMedia({ media: view.media, colorScheme: view.scheme });
    await page.goto(pathToFileURL(resolve(report)).href);
    await page.waitForLoadState("load");
    await look(page, view, name);
    await text(page, name);
    await page.screenshot({ path: `${shots}/${name.replaceAll(" ", "-")}.png`, fullPage: true });
    if (view.media === "print") await firstSheet(page, view, name);
    else {
      await accessible(page, name);
      await page.evaluate(() => document.querySelectorAll("details").forEach((d) => (d.open = true)));
      await look(page, view, `${name}, all opened`);
    }
    if (view.name === "laptop") await sentences(page, name);
    if (view.name === "laptop") await keyboard(page, name);
    if (view.name === "print-a4") await page.pdf({ path: `${shots}/${name.replaceAll(" ", "-")}.pdf`, format: "A4" });
    check(said.length === 0, `${name}: the console says ${said.slice(0, 3).join(" | ")}`);
    await context.close();
  }
}
await browser.close();
console.log(`${passed} passed, ${failures.length} failed`);
process.exit(failures.length === 0 ? 0 : 1);
