// Drives Chromium through the staff's desk as somebody of the staff would: takes the invitation, finds what needs a word, reads
// it, changes its words, holds it, sends it and takes that back. On every page and state it asks axe-core and html-validate, and
// measures width and targets. Prints one line a finding; ends with 1 when there is any.
//
// Environment: BASE (address, behind TLS with a certificate nobody knows), INVITATION (path of one), NOW (the service's clock in ms; empty: this machine's),
// MODULES (folder with node_modules), CHROMIUM (the program). SHOTS (optional): folder for pictures.
import { createRequire } from "node:module";
import { createHmac } from "node:crypto";
import fs from "node:fs";
import path from "node:path";

const { BASE, INVITATION, NOW, MODULES, CHROMIUM, SHOTS } = process.env;
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

const findings = [];
const found = (where, what) => {
  findings.push(`${where}: ${what}`);
  console.log(`FINDING ${where}: ${what}`);
};
const wanted = (where, yes, what) => yes || found(where, what);
const PASSWORD = "tall grass by the old gate";

/** The code of this moment (RFC 6238: SHA-1, 30 s, six digits). */
function code(spelled) {
  const bits = [...spelled.replace(/[^A-Z2-7]/g, "")].map((one) => "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567".indexOf(one).toString(2).padStart(5, "0"));
  const secret = Buffer.from(bits.join("").match(/.{8}/g).map((byte) => parseInt(byte, 2)));
  const step = Buffer.alloc(8);
  step.writeBigUInt64BE(BigInt(Math.floor((NOW ? Number(NOW) : Date.now()) / 30000)));
  const hash = createHmac("sha1", secret).update(step).digest();
  const at = hash[hash.length - 1] & 15;
  return String((hash.readUInt32BE(at) & 0x7fffffff) % 1000000).padStart(6, "0");
}

const browser = await chromium.launch({ executablePath: CHROMIUM, args: ["--no-sandbox"] });
const context = await browser.newContext({ ignoreHTTPSErrors: true, viewport: { width: 390, height: 844 }, hasTouch: true });
context.setDefaultTimeout(90_000);
const page = await context.newPage();

const LOOKS = [["light", 390, 844], ["dark", 320, 800], ["light", 1200, 900], ["dark", 1200, 900]];

/** Asks everything of the page as it stands now. */
async function inspect(name, { status = 200, response } = {}) {
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
      [...document.querySelectorAll("button, input:not([type=hidden]), select, summary, a.button, nav a, .lines h3 a, label.choice")]
        .filter((one) => one.checkVisibility())
        .filter((one) => !(one.matches("input[type=radio], input[type=checkbox]") && one.closest("label.choice")))
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
  await page.setViewportSize({ width: 390, height: 844 });
}

/** What a press leads to. */
async function press(button) {
  const [response] = await Promise.all([
    page.waitForResponse((one) => one.request().isNavigationRequest() && ![301, 302, 303].includes(one.status())),
    button.click(),
  ]);
  await page.waitForLoadState();
  return response;
}

const button = (name) => page.getByRole("button", { name, exact: false }).first();
const says = async (name, text) => wanted(name, (await page.locator("main").innerText()).includes(text), `does not say "${text}"`);

async function signIn() {
  await page.goto(BASE + INVITATION);
  await page.fill("#password", PASSWORD);
  await page.fill("#again", PASSWORD);
  await press(button("Set the password"));
  const key = await page.locator("code.code").innerText();
  await page.fill("#code", code(key));
  await press(button("Set it up"));
  await page.getByRole("link", { name: "go on" }).click();
  await page.waitForURL("**/desk/today");
}

/** With the keys alone: from the head of Today to the first notice. */
async function byKeyboard() {
  const seen = [];
  for (let tries = 0; tries < 30; tries++) {
    await page.keyboard.press("Tab");
    const here = await page.evaluate(() => document.activeElement.textContent.trim().slice(0, 60));
    seen.push(here);
    const visible = await page.evaluate(() => getComputedStyle(document.activeElement).outlineStyle !== "none");
    wanted("keyboard", visible, `the focus is not seen on "${here}"`);
    if (here.startsWith("Read and decide")) break;
  }
  wanted("keyboard", seen[0].startsWith("Skip"), "the first stop is not the way to the text");
  await Promise.all([page.waitForNavigation(), page.keyboard.press("Enter")]);
}

async function walk() {
  await signIn();
  await inspect("today", { response: await page.goto(`${BASE}/desk/today`) });
  await page.goto(`${BASE}/desk/today`);
  await byKeyboard();
  const notice = page.url();
  await inspect("notice", { response: await page.goto(notice) });
  for (const details of await page.locator("details").all()) await details.evaluate((one) => (one.open = true));
  await inspect("notice opened");

  await inspect("words", { response: await page.goto(`${notice}/words`) });
  const email = await page.inputValue("#email_en");
  await page.fill("#email_en", email.replaceAll("ladder", "chair"));
  await inspect("words without a caution", { status: 422, response: await press(button("Keep these words")) });
  await says("words without a caution", "without the caution: ladders");
  await page.fill("#email_en", `${email}\n\nOur desk: 505-555-0100.\n`);
  const spanish = await page.inputValue("#email_es");
  await page.fill("#email_es", `${spanish}\n\nNuestra oficina: 505-555-0100.\n`);
  await inspect("words looked at", { response: await press(button("See how it reads")) });
  await says("words looked at", "Nothing is wrong with these words.");
  await inspect("notice reworded", { response: await press(button("Keep these words")) });
  await says("notice reworded", "Its words were changed by maria");

  const hold = page.locator("details", { has: page.locator("summary", { hasText: /^Hold it$/ }) });
  await hold.locator("summary").click();
  await inspect("hold without a reason", { status: 422, response: await press(hold.getByRole("button", { name: "Hold it" })) });
  await says("hold without a reason", "Say why");
  await page.fill("#hold-why", "the field crew looks first");
  await page.getByText("this day and time").click();
  await page.fill("#day", "2099-01-01");
  await inspect("hold past the end", { status: 422, response: await press(page.locator("form[action$='/hold'] button")) });
  await says("hold past the end", "it is of use until");
  await page.getByText("somebody sends it or calls it off").click();
  await inspect("notice held", { response: await press(page.locator("form[action$='/hold'] button")) });
  await says("notice held", "Held until somebody sends it or calls it off");
  await press(button("Take the last word back"));
  await says("notice taken back", "It waits for a word");

  await inspect("notice sent", { response: await press(button("Send it now")) });
  await says("notice sent", "maria has sent it");
  await inspect("today with one on its way", { response: await page.goto(`${BASE}/desk/today`) });
  const back = page.getByRole("button", { name: "Take it back" }).first();
  await inspect("notice taken back", { response: await press(back) });
  await says("notice taken back", "Taken back");

  const off = page.locator("details", { has: page.locator("summary", { hasText: /^Call it off/ }) });
  await off.locator("summary").click();
  await page.fill("#off-why", "wrong station");
  await inspect("notice called off", { response: await press(button("Call it off")) });
  await says("notice called off", "It was called off");

  await page.goto(`${BASE}/desk/today`);
  await page.selectOption("#doubt", "temperatures");
  await inspect("today sifted", { response: await press(button("Show")) });
  await page.selectOption("#state", "none");
  await press(button("Show"));
  await says("today sifted", "No region is like that");
}

try {
  await walk();
} catch (why) {
  found("the walk broke off", `${why.stack}\n${page.url()}\n${(await page.locator("body").innerText().catch(() => "")).slice(0, 800)}`);
} finally {
  await browser.close();
}
console.log(`${findings.length} findings`);
process.exit(findings.length ? 1 : 0);
