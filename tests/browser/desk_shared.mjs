// What the walks through the staff's desk share: a browser like a phone, and everything that is asked of each page. axe-core and
// html-validate on every page and state; width and targets measured; pictures on demand.
//
// Environment: BASE (address, behind TLS with a certificate nobody knows), NOW (the service's clock in ms; empty: this machine's),
// MODULES (folder with node_modules), CHROMIUM (the program). SHOTS (optional): folder for pictures.
import { createHmac } from "node:crypto";
import { createRequire } from "node:module";
import fs from "node:fs";
import path from "node:path";

const { NOW, MODULES, CHROMIUM, SHOTS } = process.env;
const require = createRequire(path.join(MODULES, "package.json"));
const { chromium } = require("playwright-core");
const { HtmlValidate } = require("html-validate");
const axe = fs.readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const validator = new HtmlValidate({
  extends: ["html-validate:standard"],
  rules: {
    // As in check.mjs.
    "no-implicit-button-type": "off",
    "no-inline-style": "error",
    "no-trailing-whitespace": "off",
    "tel-non-breaking": "off",
    "form-dup-name": "off",
    "long-title": ["error", { maxlength: 90 }],
  },
});

export const { BASE } = process.env;
export const PASSWORD = "tall grass by the old gate";
const PHONE = { width: 390, height: 844 };
const LOOKS = [["light", 390, 844], ["dark", 320, 800], ["light", 1200, 900], ["dark", 1200, 900]];

const findings = [];
export const found = (where, what) => {
  findings.push(`${where}: ${what}`);
  console.log(`FINDING ${where}: ${what}`);
};
export const wanted = (where, yes, what) => yes || found(where, what);

const browser = await chromium.launch({ executablePath: CHROMIUM, args: ["--no-sandbox"] });

/** Somebody else's browser, on a phone. */
export async function newContext() {
  const made = await browser.newContext({ ignoreHTTPSErrors: true, viewport: PHONE, hasTouch: true });
  // Slow machines work at past years while a page waits.
  made.setDefaultTimeout(300_000);
  return made;
}

/** Asks everything of the page as it stands now. */
export async function inspect(page, name, { status = 200, response } = {}) {
  console.log(`looking at ${name}`);
  if (response) {
    wanted(name, response.status() === status, `status ${response.status()}`);
    const html = await response.text();
    for (const message of (await validator.validateString(html)).results.flatMap((result) => result.messages)) {
      found(name, `html-validate ${message.ruleId}: ${message.message} (line ${message.line})`);
    }
  }
  for (const [colorScheme, width, height] of LOOKS) {
    await page.emulateMedia({ colorScheme });
    await page.setViewportSize({ width, height });
    const state = `${name} ${colorScheme} ${width}`;
    await page.evaluate(axe);
    const report = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ["violations", "incomplete"] }));
    for (const { id, help, nodes } of report.violations) {
      found(state, `axe ${id}: ${help}: ${nodes.map((node) => node.html).join(" | ").slice(0, 300)}`);
    }
    for (const { id, nodes } of report.incomplete) {
      found(state, `axe leaves ${id} open: ${nodes.map((node) => node.html).join(" | ").slice(0, 300)}`);
    }
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    wanted(state, wide <= 0, `${wide} px wider than the window`);
    const small = await page.evaluate(() =>
      [...document.querySelectorAll("button, input:not([type=hidden]), select, textarea, summary, a.button, a.go, nav a, .lines h2 a, .lines h3 a, label.choice, label.tile")]
        .filter((one) => one.checkVisibility())
        .filter((one) => !(one.matches("input[type=radio], input[type=checkbox]") && one.closest("label.choice, label.tile")))
        .map((one) => ({ box: one.getBoundingClientRect(), html: one.outerHTML.slice(0, 90) }))
        .filter(({ box }) => box.height < 43.5 || box.width < 43.5)
        .map(({ box, html }) => `${Math.round(box.width)}x${Math.round(box.height)} ${html}`),
    );
    for (const one of small) found(state, `target too small: ${one}`);
    if (SHOTS) {
      await page.screenshot({ path: path.join(SHOTS, `${name.replace(/\W+/g, "-")}.${colorScheme}.${width}.png`), fullPage: true });
    }
  }
  await page.emulateMedia({ colorScheme: "light" });
  await page.setViewportSize(PHONE);
}

/** What an act in the page leads to. */
export async function leads(page, act) {
  const [response] = await Promise.all([
    page.waitForResponse((one) => one.request().isNavigationRequest() && ![301, 302, 303].includes(one.status())),
    act(),
  ]);
  await page.waitForLoadState();
  return response;
}

/** What a press leads to. */
export const press = (page, button) => leads(page, () => button.click());

export const button = (page, name) => page.getByRole("button", { name, exact: false }).first();

export const says = async (page, name, text) =>
  wanted(name, (await page.locator("main").innerText()).includes(text), `does not say "${text}"`);

/** The code of this moment (RFC 6238: SHA-1, 30 s, six digits). */
export function code(spelled) {
  const bits = [...spelled.replace(/[^A-Z2-7]/g, "")].map((one) => "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567".indexOf(one).toString(2).padStart(5, "0"));
  const secret = Buffer.from(bits.join("").match(/.{8}/g).map((byte) => parseInt(byte, 2)));
  const step = Buffer.alloc(8);
  step.writeBigUInt64BE(BigInt(Math.floor((NOW ? Number(NOW) : Date.now()) / 30000)));
  const hash = createHmac("sha1", secret).update(step).digest();
  const at = hash[hash.length - 1] & 15;
  return String((hash.readUInt32BE(at) & 0x7fffffff) % 1000000).padStart(6, "0");
}

/** Takes an invitation and sets up a second factor, to the desk. */
export async function signIn(page, invitation) {
  await page.goto(BASE + invitation);
  await page.fill("#password", PASSWORD);
  await page.fill("#again", PASSWORD);
  await press(page, button(page, "Set the password"));
  const key = await page.locator("code.code").innerText();
  await page.fill("#code", code(key));
  await press(page, button(page, "Set it up"));
  await page.getByRole("link", { name: "go on" }).click();
  await page.waitForURL("**/desk/today");
}

/** Walks, says how many findings there are, and ends with 1 when there is any. */
export async function run(walk, page) {
  try {
    await walk();
  } catch (why) {
    const shown = page ? `${page.url()}\n${(await page.locator("body").innerText().catch(() => "")).slice(0, 800)}` : "";
    found("the walk broke off", `${why.stack}\n${shown}`);
  } finally {
    await browser.close();
  }
  console.log(`${findings.length} findings`);
  process.exit(findings.length ? 1 : 0);
}
