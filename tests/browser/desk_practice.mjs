// Drives Chromium through practice as a new colleague would: signs in with the code of an authenticator app, moves the clock by
// keyboard alone to the first notice, reads what went and begins again. Prints one line a finding; ends with 1 when there is any.
//
// Environment: PASSWORD and SECRET of the account for practice, and that of desk_shared.mjs (BASE is http:// on this machine).
import { BASE, button as buttonOf, code, inspect as inspectOf, newContext, press as pressOf, run, says as saysOf, wanted } from "./desk_shared.mjs";

const context = await newContext();
const page = await context.newPage();
const inspect = (name, asked) => inspectOf(page, name, asked);
const press = (button) => pressOf(page, button);
const button = (name) => buttonOf(page, name);
const says = (name, text) => saysOf(page, name, text);

/** Until nothing is under way. Meanwhile the page loads itself again, which may come between. */
async function still() {
  for (let tries = 0; tries < 600; tries++) {
    try {
      if (!(await page.locator("main").innerText()).includes("Look again")) return;
      await page.waitForTimeout(500);
      await page.goto(`${BASE}/desk/practice`);
    } catch (why) {
      if (!/ERR_ABORTED|interrupted by another navigation|context was destroyed/.test(why.message)) throw why;
      await page.waitForLoadState();
    }
  }
  throw new Error("the clock moves for ever");
}

/** With the keys alone: from the head of the page to a button. */
async function byKeyboard(name) {
  for (let tries = 0; tries < 30; tries++) {
    await page.keyboard.press("Tab");
    const here = await page.evaluate(() => document.activeElement.textContent.trim());
    const visible = await page.evaluate(() => getComputedStyle(document.activeElement).outlineStyle !== "none");
    wanted("keyboard", visible, `the focus is not seen on "${here}"`);
    if (here === name) {
      await Promise.all([page.waitForNavigation(), page.keyboard.press("Enter")]);
      return;
    }
  }
  wanted("keyboard", false, `"${name}" is not reached`);
}

async function walk() {
  await inspect("practice sign-in", { response: await page.goto(`${BASE}/desk/sign-in`) });
  await page.fill("#name", "trainee");
  await page.fill("#password", process.env.PASSWORD);
  await inspect("practice code", { response: await press(button("Sign in")) });
  // The code of the half minute in which the account was made is used: the page shows the one that is good.
  const shown = (await page.locator("main").innerText()).match(/\b\d{6}\b/)?.[0];
  wanted("practice code", [-1, 0, 1].some((ahead) => code(process.env.SECRET, ahead) === shown), `it shows ${shown}, which no app shows about now`);
  await page.fill("#code", shown);
  await press(button("Go on"));
  await page.waitForURL("**/desk/today");
  await inspect("practice today", { response: await page.goto(`${BASE}/desk/today`) });

  await inspect("practice at its beginning", { response: await page.goto(`${BASE}/desk/practice`) });
  await byKeyboard("To the next notice");
  // While the clock moves the page is loaded again by itself.
  await still();
  await inspect("practice at a notice", { response: await page.goto(`${BASE}/desk/practice`) });
  wanted("practice at a notice", /Decided|Left by itself/.test(await page.locator("main").innerText()), "it names no notice");
  await says("practice at a notice", "Look at what came up");
  await press(page.locator("main .links a", { hasText: "a word" }));
  await says("today at a notice", "Needs a word: ");
  await page.goto(`${BASE}/desk/practice`);
  await page.locator("main .lines a").first().click();
  await says("the notice", "for");
  wanted("the notice", (await page.locator("body").innerText()).includes("Practice: nothing leaves"), "the banner is missing");
  if (await page.locator("#moved").count()) await page.locator("#moved").check();
  if (await button("Send it now").count()) await press(button("Send it now"));

  for (const step of ["Next day", "A week"]) {
    await page.goto(`${BASE}/desk/practice`);
    await press(button(step));
    await still();
  }
  await inspect("practice a week later", { response: await page.goto(`${BASE}/desk/practice`) });
  await inspect("messages that went", { response: await page.goto(`${BASE}/desk/practice/messages`) });
  await page.locator("main .lines a").first().click();
  await inspect("a message that went");
  await page.goto(`${BASE}/desk/practice`);
  await page.locator("summary", { hasText: "Make another season" }).click();
  await inspect("practice before another season");
  await inspect("the public page in practice", { response: await page.goto(`${BASE}/`) });
}

await run(walk, page);
