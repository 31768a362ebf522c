// Opens pages in Debian's Chromium and prints what was found as JSON: a line per page and view.
//   node browser.cjs CHROMIUM NODE_MODULES FILE...
// The first page is also seen dark and without script.
"use strict";
const path = require("path");
const [chromium, modules, ...files] = process.argv.slice(2);
const playwright = require(path.join(modules, "playwright-core"));
const axe = path.join(modules, "axe-core", "axe.min.js");

const views = [
  { name: "phone", width: 360, height: 740 },
  { name: "screen", width: 1280, height: 900 },
  { name: "dark", width: 1280, height: 900, dark: true },
  { name: "no script", width: 1280, height: 900, plain: true },
  { name: "print", width: 1280, height: 900, print: true },
];

(async () => {
  const browser = await playwright.chromium.launch({
    executablePath: chromium,
    args: ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
  });
  for (const file of files) for (const view of views) {
    if (file !== files[0] && (view.dark || view.plain)) continue; // the page is one template: once is enough
    const context = await browser.newContext({
      viewport: { width: view.width, height: view.height }, colorScheme: view.dark ? "dark" : "light", javaScriptEnabled: !view.plain,
    });
    const page = await context.newPage();
    const found = { file: path.basename(file), view: view.name, errors: [], requests: [], violations: [] };
    page.on("console", m => { if (m.type() === "error" || m.type() === "warning") found.errors.push(m.text()); });
    page.on("pageerror", e => found.errors.push(e.message));
    page.on("dialog", d => { found.errors.push("dialog: " + d.message()); d.dismiss(); });
    page.on("request", r => { if (r.url() !== "file://" + file) found.requests.push(r.url()); });
    await page.goto("file://" + file);
    if (view.print) {
      const pdf = await page.pdf({ preferCSSPageSize: true });
      found.pages = (pdf.toString("latin1").match(/\/Type\s*\/Page\b/g) || []).length;
      found.box = (pdf.toString("latin1").match(/\/MediaBox\s*\[([^\]]*)\]/) || [])[1];
      await page.emulateMedia({ media: "print" });
      await page.setViewportSize({ width: 688, height: 1000 }); // A4 less its margins, px
    }
    if (view.plain) { // no script may be run here at all: the tree is asked by the browser's own means
      found.title = await page.locator("h1").innerText();
      found.charts = await page.locator("figure svg:visible").count();
      found.rows = await page.locator("tr").count();
    } else {
      Object.assign(found, await page.evaluate(() => {
        const shown = e => e.getClientRects().length > 0;
        const cut = [...document.querySelectorAll("figure svg text")].filter(shown).filter(t => {
          const a = t.getBoundingClientRect(), b = t.ownerSVGElement.getBoundingClientRect();
          return a.left < b.left - 1.5 || a.right > b.right + 1.5;
        }).map(t => t.textContent);
        return {
          title: document.querySelector("h1").innerText, charts: [...document.querySelectorAll("figure svg")].filter(shown).length,
          figures: document.querySelectorAll("figure").length, rows: document.querySelectorAll("tr").length,
          overflow: document.documentElement.scrollWidth - document.documentElement.clientWidth, cut,
        };
      }));
    }
    if (!view.plain && !view.print) {
      const chart = page.locator("svg[data-x]:has(polyline[data-n]):visible").first();
      if (await chart.count() > 0) {
        await chart.scrollIntoViewIfNeeded();
        const box = await chart.boundingBox();
        await page.mouse.move(box.x + box.width * 0.4, box.y + box.height * 0.5);
        const read = page.locator(".read:visible");
        found.hover = await read.count() > 0 ? await read.first().innerText() : "";
        await page.mouse.move(1, 1);
        found.left = await page.locator(".read:visible").count();
        await chart.focus();
        const before = await read.first().innerText();
        for (let i = 0; i < 5; i++) await page.keyboard.press("ArrowRight");
        found.key = [before, await read.first().innerText()];
        await page.evaluate(() => document.activeElement.blur());
      }
      await page.addScriptTag({ path: axe });
      const result = await page.evaluate(() => axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] }));
      found.passes = result.passes.map(p => p.id);
      found.violations = result.violations.map(v => v.id + ": " + v.help + " (" + v.nodes.length + ") " + v.nodes[0].html.slice(0, 160));
    }
    console.log(JSON.stringify(found));
    await context.close();
  }
  await browser.close();
})().catch(e => { console.error(e); process.exit(1); });
