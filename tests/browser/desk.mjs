// Drives Chromium through the sign-in of the staff's desk by keyboard alone, on a phone and on a desk: the invitation, the second
// factor, the desk, out and in again, with what goes wrong on the way. On every page it asks axe-core and html-validate, and measures
// width and targets. Prints one line a finding; ends with 1 when there is any.
//
// Environment: BASE (address, behind TLS with a certificate nobody knows), STAFF and OBSERVER (links of invitations), MODULES (folder
// with node_modules), CHROMIUM (the program). SHOTS (optional): folder for pictures.
import { createHmac } from "node:crypto";
import { createRequire } from "node:module";
import fs from "node:fs";
import path from "node:path";

const { BASE, STAFF, OBSERVER, MODULES, CHROMIUM, SHOTS } = process.env;
const require = createRequire(path.join(MODULES, "package.json"));
const { chromium } = require("playwright-core");
const { HtmlValidate } = require("html-validate");
const axe = fs.readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
const PASSWORD = "tall grass by the old gate";

const validator = new HtmlValidate({
  extends: ["html-validate:standard"],
  rules: {
    "no-implicit-button-type": "off",
    "no-inline-style": "error",
    "no-trailing-whitespace": "off",
    // One page holds several forms of one kind; each is told apart by its heading.
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

const browser = await chromium.launch({ executablePath: CHROMIUM, args: ["--no-sandbox"] });

async function context() {
  const made = await browser.newContext({ ignoreHTTPSErrors: true, viewport: { width: 390, height: 844 }, hasTouch: true });
  made.setDefaultTimeout(90_000);
  return made;
}

async function inspect(page, name, { status = 200, response } = {}) {
  console.log(`looking at ${name}`);
  if (response) {
    wanted(name, response.status() === status, `status ${response.status()}`);
    const html = await response.text();
    for (const message of (await validator.validateString(html)).results.flatMap((result) => result.messages)) {
      found(name, `html-validate ${message.ruleId}: ${message.message} (line ${message.line})`);
    }
  }
  for (const [colorScheme, width] of [["light", 320], ["dark", 390], ["light", 1280], ["dark", 1280]]) {
    await page.emulateMedia({ colorScheme });
    await page.setViewportSize({ width, height: 844 });
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
      [...document.querySelectorAll("button, input:not([type=hidden]), select, a.button, nav a, summary")]
        .filter((one) => one.checkVisibility())
        .map((one) => ({ box: one.getBoundingClientRect(), html: one.outerHTML.slice(0, 90) }))
        .filter(({ box }) => box.height < 43.5 || box.width < 43.5)
        .map(({ box, html }) => `${Math.round(box.width)}x${Math.round(box.height)} ${html}`),
    );
    for (const one of small) found(state, `target too small: ${one}`);
    if (SHOTS) await page.screenshot({ path: path.join(SHOTS, `desk-${name.replace(/\W+/g, "-")}.${colorScheme}.${width}.png`), fullPage: true });
  }
  await page.emulateMedia({ colorScheme: "light" });
  await page.setViewportSize({ width: 390, height: 844 });
}

/** Goes by Tab to what fits, as somebody without a mouse; a ring has to be seen on it. */
async function tabTo(page, selector) {
  for (let presses = 0; presses < 60; presses++) {
    await page.keyboard.press("Tab");
    const there = await page.evaluate((selector) => {
      const at = document.activeElement;
      if (!at?.matches(selector)) return null;
      return { outline: getComputedStyle(at).outlineWidth, style: getComputedStyle(at).outlineStyle };
    }, selector);
    if (there) {
      wanted(selector, there.style !== "none" && parseFloat(there.outline) >= 2, "no ring is seen on it");
      return;
    }
  }
  throw new Error(`${selector} cannot be reached by Tab on ${page.url()}`);
}

async function type(page, selector, text) {
  await tabTo(page, selector);
  await page.keyboard.type(text);
}

/** What Enter leads to. */
async function enter(page) {
  const [response] = await Promise.all([
    page.waitForResponse((one) => one.request().isNavigationRequest() && ![301, 302, 303].includes(one.status())),
    page.keyboard.press("Enter"),
  ]);
  await page.waitForLoadState();
  return response;
}

function bytesOf(base32) {
  const bits = [...base32.replace(/\s/g, "")].map((c) => "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567".indexOf(c).toString(2).padStart(5, "0")).join("");
  return Buffer.from(bits.match(/.{8}/g).map((byte) => parseInt(byte, 2)));
}

/** RFC 6238, written here a second time. */
function codeOf(secret, step) {
  const counter = Buffer.alloc(8);
  counter.writeBigInt64BE(BigInt(step));
  const tag = createHmac("sha1", secret).update(counter).digest();
  const number = tag.readUInt32BE(tag[19] & 15) & 0x7fffffff;
  return String(number % 1_000_000).padStart(6, "0");
}
const step = () => Math.floor(Date.now() / 30_000);

async function staff() {
  const made = await context();
  const page = await made.newPage();
  const open = async (where, name, status = 200) => {
    const response = await page.goto(where.startsWith("http") ? where : BASE + where);
    await inspect(page, name, { response, status });
  };

  await open("/desk/account", "sign-in");
  wanted("sign-in", new URL(page.url()).pathname === "/desk/sign-in", "who is not signed in is not led to the sign-in");
  await type(page, "#name", "maria");
  await type(page, "#password", "not the password");
  await inspect(page, "sign-in refused", { response: await enter(page), status: 422 });
  await open("/desk/invitation/none", "invitation useless", 404);

  await open(STAFF, "invitation");
  await type(page, "#password", "short");
  await type(page, "#again", "short");
  await inspect(page, "invitation with a fault", { response: await enter(page), status: 422 });
  await type(page, "#password", PASSWORD);
  await type(page, "#again", PASSWORD);
  await inspect(page, "second factor", { response: await enter(page) });
  const secret = bytesOf(await page.textContent("code.code"));
  await type(page, "#code", "000000");
  await inspect(page, "second factor wrong", { response: await enter(page), status: 422 });
  await type(page, "#code", codeOf(secret, step()));
  await inspect(page, "recovery codes", { response: await enter(page) });
  const recovery = await page.locator(".codes code").allTextContents();
  wanted("recovery codes", recovery.length === 10, `${recovery.length} codes`);
  await tabTo(page, "main a.button");
  await inspect(page, "account", { response: await enter(page) });

  // What a script of a page could read, and what other hosts could have set.
  const cookies = await made.cookies(BASE);
  for (const one of cookies) {
    const sound = one.name.startsWith("__Host-") && one.secure && one.httpOnly && one.path === "/" && ["Lax", "Strict"].includes(one.sameSite);
    wanted(one.name, sound, "the cookie is not bound to host, TLS and server");
  }
  wanted("cookies", cookies.some((one) => one.name === "__Host-desk"), "the browser did not keep the session");

  // Another browser signs in; this one sees it and ends it.
  const others = await context();
  const other = await others.newPage();
  await other.goto(`${BASE}/desk/account/password`);
  await type(other, "#name", "maria");
  await type(other, "#password", PASSWORD);
  await inspect(other, "code", { response: await enter(other) });
  await type(other, "#code", "000000");
  await inspect(other, "code wrong", { response: await enter(other), status: 422 });
  await type(other, "#recovery", recovery[0]);
  await inspect(other, "password", { response: await enter(other) });
  wanted("code", new URL(other.url()).pathname === "/desk/account/password", "the sign-in does not lead to the page that was asked for");
  await open("/desk/account", "account with two sessions");
  await tabTo(page, ".sessions button");
  await inspect(page, "account with one session ended", { response: await enter(page) });
  await other.goto(`${BASE}/desk/account`);
  wanted("sessions", new URL(other.url()).pathname === "/desk/sign-in", "the ended session still lets in");
  await others.close();

  await page.goto(`${BASE}/desk/account/password`);
  await type(page, "#old", PASSWORD);
  await type(page, "#password", "short");
  await type(page, "#again", "short");
  await inspect(page, "password with a fault", { response: await enter(page), status: 422 });
  await page.goto(`${BASE}/desk/account`);
  await tabTo(page, ".out button");
  await inspect(page, "signed out", { response: await enter(page) });
  await page.goBack();
  await page.reload();
  wanted("signed out", new URL(page.url()).pathname === "/desk/sign-in", "the page before comes back after signing out");
  await made.close();
}

async function observer() {
  const made = await context();
  const page = await made.newPage();
  await page.goto(OBSERVER);
  await type(page, "#password", PASSWORD);
  await type(page, "#again", PASSWORD);
  await inspect(page, "account of an observer", { response: await enter(page) });
  await made.close();
}

try {
  await staff();
  await observer();
} finally {
  await browser.close();
}
console.log(`${findings.length} findings`);
process.exitCode = findings.length ? 1 : 0;
