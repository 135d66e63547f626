// Drives Chromium through the words of messages and what was learned, at the staff's desk, as somebody with a phone would: the list, a
// text that is refused, mended, kept, looked at as a difference, taken back. Prints one line a finding; ends with 1 when there is any.
//
// Environment: INVITATION (path of one), and that of desk_shared.mjs.
import { BASE, button as buttonOf, inspect as inspectOf, newContext, press as pressOf, run, says as saysOf, signIn, wanted } from "./desk_shared.mjs";

const { INVITATION } = process.env;
const context = await newContext();
const page = await context.newPage();
const inspect = (name, asked) => inspectOf(page, name, asked);
const press = (button) => pressOf(page, button);
const button = (name) => buttonOf(page, name);
const says = (name, text) => saysOf(page, name, text);

/** Whether its upper edge stands in the window. */
async function isSeen(what) {
  return page.locator(what).first().evaluate((one) => {
    const { top } = one.getBoundingClientRect();
    return top >= 0 && top < innerHeight;
  });
}

async function words() {
  await inspect("wording", { response: await page.goto(`${BASE}/desk/wording`) });
  await press(page.getByRole("link", { name: "Wash now: text message" }));
  await inspect("words of a text", { response: await page.reload() });
  await says("words of a text", "{{ wash_by }}");
  await says("words of a text", "the last day to wash");
  const before = await page.inputValue("#en");
  const hidden = await page.locator("#en").evaluate((one) => one.scrollHeight - one.clientHeight);
  wanted("words of a text", hidden <= 1, `${hidden} px of the words are not seen`);
  await page.fill("#en", before.replaceAll("{{ wash_by }}", "soon"));
  await inspect("words refused", { status: 422, response: await press(button("Keep these words")) });
  await says("words refused", "The text does not say the last day to wash: put {{ wash_by }} (the last day to wash) where it belongs.");
  wanted("words refused", (await page.inputValue("#en")).includes("by soon"), "what was typed is gone");
  // What is wrong is seen together with the field.
  await page.getByRole("link", { name: "English" }).click();
  wanted("words refused", await isSeen("#en-error .error"), "the link does not lead to what is wrong");
  wanted("words refused", await isSeen("#en"), "the link does not lead to the words");
  await press(button("Preview"));
  wanted("words tried in vain", await isSeen("#looked"), "one does not land at what is wrong");
  await page.fill("#en", before.replace("Scale in", "Eggs in"));
  await page.fill("#why", "so that everybody knows which tree");
  const tried = await press(button("Preview"));
  wanted("words tried", await isSeen("#looked"), "one does not land at how they read");
  await inspect("words tried", { response: tried });
  await says("words tried", "Nothing is wrong with these words");
  await says("words tried", "Eggs in Cedar Flat");
  // The button stands where it says that they are in order.
  await press(button("Keep them"));
  await says("words kept", "Kept.");
  await inspect("words kept", { response: await page.reload() });
  await press(page.getByRole("link", { name: "Version 1" }));
  await inspect("what a version changed", { response: await page.reload() });
  await press(page.getByRole("link", { name: "Wash now: text message" }));
  await page.locator("summary", { hasText: "Back to the words of the program" }).click();
  await press(button("Use the words of the program"));
  await says("words restored", "These words are in use again.");
  wanted("words restored", (await page.inputValue("#en")) === before, "not the words of the program");
  for (const details of await page.locator("details").all()) await details.evaluate((one) => (one.open = true));
  await inspect("words of a text opened");
  await inspect("words of an e-mail", { response: await page.goto(`${BASE}/desk/wording/wash-now.email`) });
  await inspect("words of a part", { response: await page.goto(`${BASE}/desk/wording/care.part`) });
}

/** A page that may be worked out still comes by itself. */
async function workedOut(path) {
  await page.goto(`${BASE}${path}`);
  await page.waitForFunction(() => !document.querySelector("h1 + .box.care[role=status]"), undefined, { timeout: 120_000 });
}

async function drawn(name, picture) {
  const wide = await page.locator(picture).first().evaluate(async (one) => {
    await one.decode();
    return one.naturalWidth;
  });
  wanted(name, wide > 0, "a picture does not show");
}

async function learned() {
  await workedOut("/desk/learned");
  await inspect("learned", { response: await page.reload() });
  const [days, heat] = await page.locator("main h2").evaluateAll((all) => ["Dates", "How much heat"].map((text) => all.findIndex((one) => one.textContent.startsWith(text))));
  wanted("learned", days >= 0 && days < heat, "days do not come before heat");
  for (const details of await page.locator("main details").all()) await details.evaluate((one) => (one.open = true));
  await says("learned", "What each report pulls");
  await drawn("learned", ".chart img");
  await inspect("learned opened");
  await page.reload();
  await page.locator("summary", { hasText: "Freeze learning" }).click();
  await inspect("freeze without a reason", { status: 422, response: await press(button("Freeze it")) });
  await says("freeze without a reason", "Say why");
  await page.fill("#why", "the crew is new");
  await press(button("Freeze it"));
  await page.waitForFunction(() => document.body.innerText.includes("is frozen since"), undefined, { timeout: 120_000 });
  await inspect("frozen");
  await page.locator("summary", { hasText: "teach again" }).click();
  await page.fill("#why", "they have learned it");
  await press(button("Thaw it"));
  await workedOut("/desk/learned/adoption");
  await says("adoption", "would follow version");
  await inspect("adoption", { response: await page.reload() });
  await workedOut("/desk/learned/years");
  await says("years", "Each sighting");
  await inspect("years", { response: await page.reload() });
}

async function byKeyboard() {
  await page.goto(`${BASE}/desk/wording/help.sms`);
  const order = [];
  for (let tries = 0; tries < 60 && !order.includes("Keep these words"); tries++) {
    await page.keyboard.press("Tab");
    const here = await page.evaluate(() => {
      const at = document.activeElement;
      return { name: at.id || at.textContent.trim(), outline: getComputedStyle(at).outlineStyle };
    });
    wanted("keyboard", here.outline !== "none", `the focus is not seen on "${here.name}"`);
    order.push(here.name);
  }
  const at = ["en", "es", "sample", "why", "Preview", "Keep these words"].map((name) => order.indexOf(name));
  wanted("keyboard", at.every((place, nth) => place >= 0 && (nth === 0 || place > at[nth - 1])), `out of order: ${order.join(" > ")}`);
}

await run(async () => {
  await signIn(page, INVITATION);
  await words();
  await byKeyboard();
  await learned();
}, page);
