// Drives Chromium through the staff's desk as somebody of the staff would: takes the invitation, finds what needs a word, reads
// it, changes its words, holds it, sends it and takes that back. Prints one line a finding; ends with 1 when there is any.
//
// Environment: INVITATION (path of one), and that of desk_shared.mjs.
import { BASE, button as buttonOf, inspect as inspectOf, newContext, press as pressOf, run, says as saysOf, signIn, wanted } from "./desk_shared.mjs";

const context = await newContext();
const page = await context.newPage();
const inspect = (name, asked) => inspectOf(page, name, asked);
const press = (button) => pressOf(page, button);
const button = (name) => buttonOf(page, name);
const says = (name, text) => saysOf(page, name, text);

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
  await signIn(page, process.env.INVITATION);
  await inspect("today", { response: await page.goto(`${BASE}/desk/today`) });
  await page.goto(`${BASE}/desk/today`);
  await byKeyboard();
  const notice = page.url();
  await inspect("notice", { response: await page.goto(notice) });
  const deciding = await page.locator("#decide").boundingBox();
  const reading = await page.locator("#reads").boundingBox();
  wanted("notice", reading.y < deciding.y, "the decision stands above the words that it is about");
  await page.getByRole("link", { name: "What you can do", exact: true }).click();
  await page.waitForURL("**#decide");
  const top = await page.locator("#decide").evaluate((one) => one.getBoundingClientRect().top);
  wanted("notice", top >= 0 && top < 844, `the way to the decision leads elsewhere: ${top} px`);
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
  await inspect("hold with a day and no end", { status: 422, response: await press(page.locator("form[action$='/hold'] button")) });
  await says("hold with a day and no end", "A day is typed");
  await page.fill("#day", "");
  await inspect("notice held", { response: await press(page.locator("form[action$='/hold'] button")) });
  await says("notice held", "Held until somebody sends it or calls it off");
  await press(button("Take the last word back"));
  await says("notice taken back", "It waits for a word");

  // On the real clock its days may be those of today by chance.
  if (await page.locator("#moved").count()) {
    await inspect("notice with days that moved", { status: 422, response: await press(button("Send it now")) });
    await says("notice with days that moved", "If you send it all the same, say so below.");
    await page.getByText("I send it all the same").click();
  }
  await inspect("notice sent", { response: await press(button("Send it now")) });
  await says("notice sent", "It leaves on the word of maria");
  const main = await page.locator("main").innerText();
  wanted("notice sent", !/\bSent\b/.test(main), "it says Sent before anything is sent");

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
  await page.selectOption("#state", "last");
  await press(button("Show"));
  await says("today sifted", "No region is like that");
}

await run(walk, page);
