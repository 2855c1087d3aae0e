// Opens sheets in a real browser and reports what it sees, as JSON on standard output.
//
//   node sheet.mjs NODE_FOLDER BROWSER FILE...
//
// Widths, texts and angles are measured on the laid-out page, never read from the sheet's source.
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";
import { readFileSync, writeFileSync } from "node:fs";

const [nodeFolder, browserPath, ...files] = process.argv.slice(2);
const require = createRequire(nodeFolder + "/package.json");
const { chromium } = require("playwright-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");

// Runs in the page: texts that are clipped, that overlap, or that stick out of the page.
function measure() {
  const faults = [];
  const width = document.documentElement.clientWidth;
  if (document.documentElement.scrollWidth > width)
    faults.push(`page is ${document.documentElement.scrollWidth} wide in a window of ${width}`);
  const boxes = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const text = node.data.trim();
    const owner = node.parentElement;
    if (!text || !owner.checkVisibility({ visibilityProperty: true }) || owner.closest("style,script,title,defs,.sr")) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    for (const r of range.getClientRects()) {
      if (r.width < 0.5) continue;
      const scroller = owner.closest("[data-scroll]");
      if (!scroller && (r.left < -0.5 || r.right > width + 0.5)) faults.push(`"${text}" sticks out of the page`);
      for (let a = owner; a && a !== document.body; a = a.parentElement) {
        const style = getComputedStyle(a);
        if (style.overflowX === "visible" && style.overflowY === "visible") continue;
        if (a.matches("[data-scroll]")) break;
        const box = a.getBoundingClientRect();
        if (r.left < box.left - 1 || r.right > box.right + 1 || r.top < box.top - 1 || r.bottom > box.bottom + 1)
          faults.push(`"${text}" is clipped`);
      }
      boxes.push({ text, r, node });
    }
  }
  // Drawings count as one box each: what is drawn, not the room reserved.
  for (const svg of document.querySelectorAll(".c > svg, .chart > svg")) {
    if (!svg.checkVisibility()) continue;
    const b = svg.getBBox(), m = svg.getScreenCTM();
    const r = new DOMRect(m.a * b.x + m.e, m.d * b.y + m.f, m.a * b.width, m.d * b.height);
    const cell = svg.parentElement.getBoundingClientRect();
    if (r.left < cell.left - 1.5 || r.right > cell.right + 1.5)
      faults.push(`drawing of "${svg.parentElement.innerText.trim()}" sticks out of its cell`);
    if (svg.matches(".c > svg")) boxes.push({ text: `drawing of ${svg.parentElement.innerText.trim()}`, r, node: svg });
  }
  // Line boxes touch by design; a pixel and a quarter of a line is not an overlap of ink.
  boxes.sort((a, b) => a.r.top - b.r.top);
  for (let i = 0; i < boxes.length; i++) {
    const a = boxes[i];
    for (let j = i + 1; j < boxes.length && boxes[j].r.top < a.r.bottom; j++) {
      const b = boxes[j];
      if (a.node === b.node || a.node.contains?.(b.node)) continue;
      const across = Math.min(a.r.right, b.r.right) - Math.max(a.r.left, b.r.left);
      const down = Math.min(a.r.bottom, b.r.bottom) - Math.max(a.r.top, b.r.top);
      if (across > 1 && down > Math.max(1.5, 0.25 * Math.min(a.r.height, b.r.height)))
        faults.push(`"${a.text}" and "${b.text}" overlap by ${across.toFixed(1)} x ${down.toFixed(1)}`);
    }
  }
  return [...new Set(faults)].slice(0, 20);
}

// Runs in the page: every control with what its drawing says, from the laid-out transforms.
function controls() {
  const list = [];
  for (const cell of document.querySelectorAll(".c")) {
    const svg = cell.querySelector(":scope > svg");
    if (!svg) continue;
    const label = (cell.querySelector(".l") ?? cell.parentElement.querySelector(":scope > .l") ?? cell.closest("tr").querySelector("th")).innerText.trim();
    const entry = {
      preset: cell.closest(".preset")?.querySelector("h2").innerText.trim() ?? "",
      group: cell.closest(".g")?.querySelector("h3")?.textContent ?? "",
      label,
      of: cell.querySelector(".of")?.innerText ?? "",
      code: cell.querySelector(".v small")?.innerText ?? null,
      setting: cell.querySelector(".v b")?.innerText ?? null,
      pointers: [],
    };
    const base = svg.getScreenCTM();
    for (const use of [...svg.querySelectorAll("use")].slice(1)) {
      const m = base.inverse().multiply(use.getScreenCTM());
      const name = use.getAttribute("href");
      entry.pointers.push({
        name,
        angle: (Math.atan2(m.b, m.a) * 180) / Math.PI,
        x: use.x.baseVal.value,
        y: use.y.baseVal.value,
      });
    }
    list.push(entry);
  }
  return list;
}

async function axeRun(page) {
  await page.evaluate(axe);
  const result = await page.evaluate(() => window.axe.run(document, { resultTypes: ["violations"] }));
  return result.violations.map((v) => `${v.id}: ${v.nodes.length} x ${v.help}: ${v.nodes[0].html.slice(0, 160)} ${v.nodes[0].failureSummary.slice(0, 300)}`);
}

// Tabs through the page: every interactive element must be reached, with a visible ring.
async function keyboard(page) {
  const wanted = await page.evaluate(() => {
    const all = [...document.querySelectorAll("a[href],input,summary,button,[tabindex='0']")].filter((e) => e.checkVisibility());
    // A group of radio buttons is one stop.
    const seen = new Set();
    return all.filter((e) => e.type !== "radio" || (e.checked && !seen.has(e.name) && seen.add(e.name))).length;
  });
  let reached = 0, ringless = 0;
  const limit = Math.min(wanted, 40);
  for (let i = 0; i < limit; i++) {
    await page.keyboard.press("Tab");
    const state = await page.evaluate(() => {
      const e = document.activeElement;
      if (!e || e === document.body || e.dataset.seen) return null;
      e.dataset.seen = "1";
      const style = getComputedStyle(e);
      const label = e.labels?.[0] && getComputedStyle(e.labels[0]);
      return style.outlineStyle !== "none" || (label && label.outlineStyle !== "none");
    });
    if (state === null) break;
    reached++;
    if (!state) ringless++;
  }
  return { wanted: limit, reached, ringless };
}

// What the memory picture says of three bits of IC5, found with the arrow keys alone.
async function told(page) {
  const plane = page.locator("svg[aria-label='Data line D0 of chip IC5']");
  if (!(await plane.count())) return [];
  const said = [];
  await plane.focus();
  for (const key of [null, "ArrowRight", "ArrowDown"]) {
    if (key) await page.keyboard.press(key);
    said.push(await page.locator(".tell").innerText());
  }
  await page.evaluate(() => document.activeElement.blur());
  return said;
}

const browser = await chromium.launch({
  executablePath: browserPath,
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run"],
});
const report = {};
for (const file of files) {
  const r = (report[file] = { console: [], requests: [], axe: {}, layout: {} });
  for (const [name, width, height, scheme, scale] of [
    ["wide", 1100, 900, "light", 1],
    ["dark", 1100, 900, "dark", 1],
    ["narrow", 320, 640, "light", 1],
    ["zoomed", 550, 450, "light", 2],
  ]) {
    const context = await browser.newContext({ viewport: { width, height }, colorScheme: scheme, deviceScaleFactor: scale });
    const page = await context.newPage();
    page.on("console", (m) => ["error", "warning"].includes(m.type()) && r.console.push(m.text()));
    page.on("pageerror", (e) => r.console.push(String(e)));
    page.on("dialog", (d) => { r.console.push("dialog: " + d.message()); d.dismiss(); });
    page.on("request", (q) => q.url().startsWith("file:") || q.url().startsWith("data:") || r.requests.push(q.url()));
    await page.goto(pathToFileURL(file).href);
    r.layout[name] = await page.evaluate(measure);
    if (name === "wide" || name === "dark") r.axe[name] = await axeRun(page);
    if (name === "wide") {
      r.controls = await page.evaluate(controls);
      r.keyboard = await keyboard(page);
      r.told = await told(page);
      r.scripts = await page.evaluate(() => document.querySelectorAll("script").length);
    }
    if (name === "wide") {
      // The printed page: the same measures at the width of the paper's printable area.
      await page.emulateMedia({ media: "print" });
      const letter = readFileSync(file, "utf8").includes("@page{size:letter}");
      await page.setViewportSize({ width: Math.round(((letter ? 215.9 : 210) - 24) / 25.4 * 96), height: 1000 });
      r.layout.print = await page.evaluate(measure);
      const pdf = await page.pdf({ preferCSSPageSize: true, printBackground: true });
      writeFileSync(file.replace(/\.html$/, ".pdf"), pdf);
    }
    await context.close();
  }
}
await browser.close();
console.log(JSON.stringify(report));
