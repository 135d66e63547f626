// What the walks through the staff's desk share: a phone, what is asked of each page in which looks, and the sign-in; pictures on demand.
//
// Environment: BASE (address, behind TLS with a certificate nobody knows), NOW (the service's clock in ms; empty: this machine's), and
// that of shared.mjs. SHOTS (optional): folder for pictures.
import { createHmac } from "node:crypto";
import path from "node:path";
import { browser, inspectState, leads, press, run, smallTargets, validate, wanted } from "./shared.mjs";

export { leads, press, run, wanted };

const { NOW, SHOTS } = process.env;
export const { BASE } = process.env;
export const PASSWORD = "tall grass by the old gate";
const PHONE = { width: 390, height: 844 };
const LOOKS = [["light", 390, 844], ["dark", 320, 800], ["light", 1200, 900], ["dark", 1200, 900]];

const TARGETS =
  "button, input:not([type=hidden]), select, textarea, summary, a.button, a.go, nav a, .lines h2 a, .lines h3 a, label.choice, label.tile, .exercise a, .season tbody th a";

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
    await validate(name, await response.text());
  }
  for (const [colorScheme, width, height] of LOOKS) {
    await page.emulateMedia({ colorScheme });
    await page.setViewportSize({ width, height });
    const state = `${name} ${colorScheme} ${width}`;
    await inspectState(page, state);
    await smallTargets(page, state, TARGETS, "label.choice, label.tile");
    // WCAG 2.2, 2.5.8, and links inside a sentence as well.
    await smallTargets(page, state, "main a", "label.choice", 23.5);
    if (SHOTS) {
      await page.screenshot({ path: path.join(SHOTS, `${name.replace(/\W+/g, "-")}.${colorScheme}.${width}.png`), fullPage: true });
    }
  }
  await page.emulateMedia({ colorScheme: "light" });
  await page.setViewportSize(PHONE);
}

export const button = (page, name) => page.getByRole("button", { name, exact: false }).first();

export const says = async (page, name, text) =>
  wanted(name, (await page.locator("main").innerText()).includes(text), `does not say "${text}"`);

/** The code of this moment, or of a half minute ahead (RFC 6238: SHA-1, 30 s, six digits). */
export function code(spelled, ahead = 0) {
  const bits = [...spelled.replace(/[^A-Z2-7]/g, "")].map((one) => "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567".indexOf(one).toString(2).padStart(5, "0"));
  const secret = Buffer.from(bits.join("").match(/.{8}/g).map((byte) => parseInt(byte, 2)));
  const step = Buffer.alloc(8);
  step.writeBigUInt64BE(BigInt(Math.floor((NOW ? Number(NOW) : Date.now()) / 30000) + ahead));
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

/** A page on a phone, with what is asked of it and done on it; for walks with one page. */
export async function walker() {
  const page = await (await newContext()).newPage();
  return {
    page,
    inspect: (name, asked) => inspect(page, name, asked),
    press: (one) => press(page, one),
    button: (name) => button(page, name),
    says: (name, text) => says(page, name, text),
    /** Opens all that is folded away. */
    openAll: async () => {
      for (const details of await page.locator("details").all()) await details.evaluate((one) => (one.open = true));
    },
  };
}

/** By the tab key to the field `until`: every stop on the way is seen. Gives the names of the stops. */
export async function tabTo(page, where, until) {
  const names = [];
  for (let tries = 0; tries < 60 && names.at(-1) !== until; tries++) {
    await page.keyboard.press("Tab");
    const here = await page.evaluate(() => {
      const at = document.activeElement;
      const seen = at.closest("label.choice, label.tile") ?? at;
      return { name: at.name || at.innerText || at.tagName, outline: getComputedStyle(seen).outlineStyle };
    });
    wanted(where, here.outline !== "none", `the focus is not seen on "${here.name}"`);
    names.push(here.name);
  }
  wanted(where, names.at(-1) === until, `"${until}" is not reached: ${names.join(", ")}`);
  return names;
}
