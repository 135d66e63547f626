// Drives Chromium through the sign-in of the staff's desk by keyboard alone, on a phone and on a desk: the invitation, the second
// factor, the desk, out and in again, with what goes wrong on the way. Prints one line a finding; ends with 1 when there is any.
//
// Environment: STAFF and OBSERVER (links of invitations), and that of desk_shared.mjs.
import { BASE, PASSWORD, code, inspect, leads, newContext, run, wanted } from "./desk_shared.mjs";

const { STAFF, OBSERVER } = process.env;

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
const enter = (page) => leads(page, () => page.keyboard.press("Enter"));

/** On a phone the head is one line, and a menu opens by keyboard; on a desk all of it is seen. Leaves the menu open. */
async function theMenu(page) {
  const high = async () => (await page.locator(".top").boundingBox()).height;
  const seen = (selector) => page.locator(selector).first().isVisible();
  wanted("menu", (await high()) < 100, `the head takes ${await high()} px`);
  wanted("menu", !(await seen(".top nav a")) && !(await seen(".out button")), "what the menu opens is seen before");
  wanted("menu", (await page.innerText(".menu summary")).includes("My account"), "it does not say which page this is");
  await page.setViewportSize({ width: 1200, height: 900 });
  wanted("wide head", (await seen(".top nav a")) && (await seen(".out button")) && !(await seen(".menu")), "not all of it is seen");
  await page.setViewportSize({ width: 390, height: 844 });
  await tabTo(page, ".menu summary");
  await page.keyboard.press("Enter");
  wanted("menu", (await seen(".top nav a")) && (await seen(".out button")), "Enter does not open it");
  await inspect(page, "menu open");
  wanted("menu", (await page.locator(".top nav a[aria-current=page]").innerText()) === "My account", "no link is that of this page");
  await page.focus(".menu summary");
}

async function staff() {
  const made = await newContext();
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
  const secret = await page.textContent("code.code");
  await type(page, "#code", "000000");
  await inspect(page, "second factor wrong", { response: await enter(page), status: 422 });
  await type(page, "#code", code(secret));
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
  const others = await newContext();
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
  await theMenu(page);
  await tabTo(page, ".out button");
  await inspect(page, "signed out", { response: await enter(page) });
  await page.goBack();
  await page.reload();
  wanted("signed out", new URL(page.url()).pathname === "/desk/sign-in", "the page before comes back after signing out");
  await made.close();
}

async function observer() {
  const made = await newContext();
  const page = await made.newPage();
  await page.goto(OBSERVER);
  await type(page, "#password", PASSWORD);
  await type(page, "#again", PASSWORD);
  await inspect(page, "account of an observer", { response: await enter(page) });
  await made.close();
}

await run(async () => {
  await staff();
  await observer();
});
