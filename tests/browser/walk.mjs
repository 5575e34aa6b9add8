// The pages in a real Chromium, as a grower meets them: seen, typed into, walked by keyboard alone.
// In: addresses of running sites (environment). Out: screenshots; ends with 0 if all was as it should be.
import { createRequire } from "node:module";
import { mkdirSync, mkdtempSync, readFileSync, rmSync, existsSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import assert from "node:assert/strict";

const { TOOLS, SHOTS, TOKEN, CELLAR, ALERT, BARE, MANY } = process.env;
const require = createRequire(join(TOOLS, "package.json"));
const { chromium } = require("playwright-core");
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const program = ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"].find(existsSync);
assert(program, "there is no Chromium; run tests/run");
mkdirSync(SHOTS, { recursive: true });

const profile = mkdtempSync(join(tmpdir(), "tubwatch-browser-"));
const browser = await chromium.launch({
  executablePath: program,
  headless: true,
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync"],
});
const PHONE = { width: 390, height: 844 }, DESK = { width: 1280, height: 900 };
const faults = [];

// A context whose every page is watched: no console error, no request that leaves this machine.
async function open(options = {}) {
  const context = await browser.newContext({ viewport: PHONE, reducedMotion: "reduce", ...options });
  context.setDefaultTimeout(15000);
  context.asked = [];
  context.on("request", (request) => {
    context.asked.push(request.url());
    const host = new URL(request.url()).hostname;
    if (request.url().startsWith("data:")) return;
    if (host !== "127.0.0.1") faults.push(`a request left this machine: ${request.url()}`);
  });
  context.on("console", (message) => {
    if (message.type() === "error" || message.type() === "warning") faults.push(`console: ${message.text()}`);
  });
  context.on("weberror", (error) => faults.push(`script: ${error.error()}`));
  return context;
}

async function accessible(page, what) {
  const found = await page.evaluate(`${axe}; axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] })
    .then((r) => r.violations.map((v) => v.id + ": " + v.nodes.map((n) => n.target.join(" ") + " " + n.failureSummary).slice(0, 3).join(" | ")))`);
  assert.deepEqual(found, [], `${what} is not accessible`);
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  assert.ok(wide <= 0, `${what} has to be pushed sideways by ${wide} px`);
}

const pages = [
  ["home", CELLAR, "/"], ["tub", CELLAR, "/tub/A1?range=2d"], ["fruiting", CELLAR, "/tub/C3?range=14d"],
  ["space", CELLAR, "/space/shelf"], ["heat-run", CELLAR, "/heat-run/coir-7"], ["heat-runs", CELLAR, "/heat-runs"],
  ["alert", CELLAR, `/alert/${ALERT}`], ["sign-in", CELLAR, "/sign-in"],
  ["none", BARE, "/"], ["many", MANY, "/"],
];

// Seen at two sizes, in light and dark.
for (const [size, viewport] of [["phone", PHONE], ["desk", DESK]]) {
  for (const colorScheme of ["light", "dark"]) {
    const context = await open({ viewport, colorScheme });
    const page = await context.newPage();
    for (const [name, site, path] of pages) {
      // The home page in all four ways; the others on the phone by day and on the desk by night.
      if (name !== "home" && (size === "phone") !== (colorScheme === "light")) continue;
      context.asked.length = 0;
      const answer = await page.goto(site + path, { waitUntil: "load" });
      assert.equal(answer.status(), 200, `${site}${path}`);
      const asked = context.asked.filter((url) => !url.startsWith("data:") && !url.endsWith("/events"));
      assert.equal(asked.length, 1, `${name}: first paint takes one request, not ${asked}`);
      const bytes = (await answer.body()).length;
      if (path === "/") assert.ok(bytes < 100 * 1024, `${name} takes ${bytes} bytes`);
      // Sixty times the same tub are looked through once in each light.
      if (name !== "many" || size === "phone") await accessible(page, `${name}, ${size}, ${colorScheme}`);
      await page.screenshot({ path: join(SHOTS, `${name}-${size}-${colorScheme}.png`), fullPage: name !== "many" });
    }
    await context.close();
  }
}

// What is said.
{
  const context = await open();
  const page = await context.newPage();
  await page.goto(CELLAR + "/");
  const text = await page.locator("main").innerText();
  for (const said of ["Critical: tub A1", "31.8 °C", "tent-air: silent", "Time to look",
    "coir-8: holding", "of 60 min at or over 65 °C",
    "Coldest barrel-middle 66.1 °C, hottest barrel-corner 68.2 °C."]) {
    assert.ok(text.includes(said), `"${said}" is not on the page:\n${text}`);
  }
  assert.ok(!text.includes("100 %"));
  const order = await page.locator("h2").allInnerTexts();
  assert.deepEqual(order, ["Wrong now", "Heat runs", "Air", "Tubs", "Doubtful probes", "This machine"]);
  const tubs = await page.locator("h2:text('Tubs') ~ h3 a[href^='/tub/']").allInnerTexts();
  assert.deepEqual(tubs.slice(0, 2), ["A1", "B2"], "the hot one first, then the one to look at");
  await page.goto(BARE + "/");
  assert.ok((await page.locator("main").innerText()).includes("No tub is being watched"));
  await page.goto(MANY + "/");
  assert.equal(await page.locator("svg.trace").count(), 60);
  await context.close();
}

// The value under the pointer and of the arrow keys.
{
  const context = await open({ viewport: DESK });
  const page = await context.newPage();
  await page.goto(CELLAR + "/tub/A1?range=12h");
  const figure = page.locator("figure").first();
  const box = await figure.locator("svg").boundingBox();
  await page.mouse.move(box.x + box.width * 0.5, box.y + box.height / 2);
  const under = await figure.locator("output").innerText();
  assert.match(under, /\d\d:\d\d, substrate 2\d\.\d/);
  await figure.locator("svg").focus();
  await page.keyboard.press("ArrowLeft");
  assert.notEqual(await figure.locator("output").innerText(), under);
  await page.screenshot({ path: join(SHOTS, "pointer-desk-light.png") });
  await context.close();
}

// Without scripts: all is there, and a note is logged.
{
  const context = await open({ javaScriptEnabled: false });
  const page = await context.newPage();
  await page.goto(CELLAR + "/");
  assert.ok((await page.locator("main").innerText()).includes("Critical: tub A1"));
  await page.screenshot({ path: join(SHOTS, "home-phone-without-scripts.png"), fullPage: true });
  await page.goto(CELLAR + "/sign-in?next=/tub/B2/log");
  await page.fill("#token", TOKEN);
  await page.click("button[type=submit]");
  await page.waitForURL((url) => url.pathname === "/tub/B2/log");
  await page.fill("#text", "seen without scripts");
  await page.click("button:has-text('Log the note')");
  await page.locator("li", { hasText: "note: seen without scripts" }).waitFor();
  await context.close();
}

// A harvest with the large keys, and one taken back.
{
  const context = await open({ hasTouch: true, isMobile: true });
  const page = await context.newPage();
  await page.goto(CELLAR + "/sign-in?next=/tub/C3/log");
  await page.fill("#token", "not the token");
  await page.tap("button[type=submit]");
  await page.locator("[role=alert]").waitFor();
  faults.splice(0, faults.length, ...faults.filter((fault) => !fault.includes("401")));
  await page.fill("#token", TOKEN);
  await page.tap("button[type=submit]");
  await page.waitForURL((url) => url.pathname === "/tub/C3/log");
  await accessible(page, "the forms");
  const cookie = (await context.cookies()).find((one) => one.name === "tubwatch-session");
  assert.ok(cookie.httpOnly && cookie.sameSite === "Strict");
  for (const grams of ["412", "99"]) {
    for (const digit of grams) await page.locator(".digits button", { hasText: digit }).first().tap();
    const key = await page.locator(".digits button").first().boundingBox();
    assert.ok(key.height >= 48 && key.width >= 48, "keys for wet hands");
    assert.equal(await page.inputValue("#fresh"), grams);
    await page.screenshot({ path: join(SHOTS, `harvest-${grams}-phone-light.png`), fullPage: true });
    await page.tap("button:has-text('Log the harvest')");
    // What was just written stands on top, with its key to take it back.
    await page.locator("h2:text('Just written') ~ ul li", { hasText: `harvested ${grams} g fresh` }).first().waitFor();
    assert.equal(await page.locator("h2").first().innerText(), "Just written");
  }
  await page.locator("li", { hasText: "harvested 99 g" }).locator("button").tap();
  await page.locator("li", { hasText: "harvested 99 g" }).getByText("(taken back)").waitFor();
  await page.screenshot({ path: join(SHOTS, "taken-back-phone-light.png"), fullPage: true });
  await context.close();
}

// By keyboard alone: from the home page to a logged note. And the open page renews itself.
{
  const context = await open({ viewport: DESK });
  const watching = await context.newPage();
  await watching.goto(CELLAR + "/");
  const page = await context.newPage();
  await page.goto(CELLAR + "/");
  // Tabs to the first thing that `is`, which must be seen to be where one is.
  const tabTo = async (what, is) => {
    for (let step = 0; step < 80; step++) {
      await page.keyboard.press("Tab");
      const here = await page.evaluate(() => {
        const at = document.activeElement, style = getComputedStyle(at);
        return { text: (at.textContent || "").trim(), id: at.id, tag: at.tagName, ring: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2 };
      });
      if (here.tag === "BODY") continue;
      assert.ok(here.ring, `no ring around ${here.tag} ${here.text}`);
      if (is(here)) return;
    }
    assert.fail(`${what} is not reached by Tab`);
  };
  await tabTo("tub B2", (at) => at.text === "B2");
  await page.keyboard.press("Enter");
  await page.waitForURL(/tub\/B2/);
  await tabTo("Log something", (at) => at.text === "Log something");
  await page.keyboard.press("Enter");
  await page.waitForURL((url) => url.pathname.endsWith("/log"));
  await tabTo("Sign in", (at) => at.text.startsWith("Sign in"));
  await page.keyboard.press("Enter");
  await page.waitForURL(/sign-in/);
  await tabTo("the token", (at) => at.id === "token");
  await page.keyboard.type(TOKEN);
  await page.keyboard.press("Enter");
  await page.waitForURL((url) => url.pathname.endsWith("/log"));
  await tabTo("the note", (at) => at.id === "text");
  await page.keyboard.type("by keyboard alone");
  await tabTo("its key", (at) => at.text === "Log the note");
  await page.keyboard.press("Enter");
  await page.locator("li", { hasText: "note: by keyboard alone" }).waitFor();
  await page.goto(`${CELLAR}/alert/${ALERT}`);
  await accessible(page, "an alert with its keys");
  await page.screenshot({ path: join(SHOTS, "alert-keys-desk-light.png") });
  await page.evaluate(() => document.activeElement.blur());
  await tabTo("Acknowledge", (at) => at.text === "Acknowledge");
  await page.keyboard.press("Enter");
  await page.waitForURL(CELLAR + "/");
  await accessible(page, "home, signed in");
  await page.screenshot({ path: join(SHOTS, "home-signed-in-desk-light.png"), fullPage: true });
  // Nobody touched the first page: it heard of it.
  await watching.locator(".alert", { hasText: "tub A1" }).getByText("Acknowledged.").waitFor();
  await context.close();
}

await browser.close();
rmSync(profile, { recursive: true, force: true });
assert.deepEqual(faults, [], "faults in the browser");
console.log("all seen");
