// Drives Chromium through the pages of a running service, as a person would: signs up, confirms, looks at a region,
// changes what they get, stops; then through a gallery in which a region stands in every state, and a site whose store is
// broken. On every page and state it asks axe-core and html-validate, and measures width, targets and weight. Prints one
// line a finding; ends with 1 when there is any.
//
// Environment: BASE (address of the service), OUTBOX (folder of its messages), ZIP and REGION (a watched place),
// GALLERY (address), STATES (its regions by state) and SEEN (its questions by language), both JSON, BROKEN (address),
// and that of shared.mjs. SHOTS (optional): folder for pictures; each page is then
// looked at in both widths under both schemes, and printed to PDF where that is of use.
import fs from "node:fs";
import path from "node:path";
import { browser, found, inspectState, press, run, smallTargets, validate, wanted } from "./shared.mjs";

const { BASE, OUTBOX, ZIP, REGION, GALLERY, BROKEN, SHOTS } = process.env;
const TARGETS = "button, input:not([type=hidden]), select, a.button, nav a, label.choice";

/** A busy machine is no finding. */
async function patient(made) {
  const context = await made;
  context.setDefaultTimeout(90_000);
  return context;
}

/** Asks everything of the page as it stands now. */
async function inspect(page, name, { status = 200, response, print = false } = {}) {
  const where = `${name} (${new URL(page.url()).pathname.replace(/[0-9a-f]{20,}/, "…")})`;
  console.log(`looking at ${where}`);
  if (response) wanted(where, response.status() === status, `status ${response.status()}`);
  const html = response ? await response.text() : await page.content();
  wanted(where, Buffer.byteLength(html) < 100_000, `weighs ${Buffer.byteLength(html)} bytes`);
  if (response) await validate(where, html);
  // The scheme changes colours and no sizes, so that two looks show both schemes and both widths.
  const looks = SHOTS ? [["light", 320], ["light", 1280], ["dark", 320], ["dark", 1280]] : [["light", 320], ["dark", 1280]];
  for (const [colorScheme, width] of looks) {
    await page.emulateMedia({ colorScheme });
    await page.setViewportSize({ width, height: 800 });
    const state = `${where} ${colorScheme} ${width}`;
    await inspectState(page, state);
    // WCAG 2.2, 2.5.8 leaves out links inside a sentence; ours are larger than it asks (2.5.5).
    await smallTargets(page, state, TARGETS, "label.choice");
    if (SHOTS) {
      await page.setViewportSize({ width: width === 320 ? 360 : width, height: 800 });
      const file = `${name.replace(/\W+/g, "-")}.${colorScheme}.${width === 320 ? 360 : width}.png`;
      await page.screenshot({ path: path.join(SHOTS, file), fullPage: true });
    }
  }
  if (SHOTS && print) {
    await page.pdf({ path: path.join(SHOTS, `${name.replace(/\W+/g, "-")}.pdf`), format: "Letter", preferCSSPageSize: true });
  }
  await page.emulateMedia({ colorScheme: "light" });
}

const go = (page, where) => page.goto(where.startsWith("http") ? where : BASE + where);

/** The newest message to an address that holds a text, unfolded. */
async function message(to, holds) {
  for (let tries = 0; tries < 450; tries++) {
    for (const file of fs.readdirSync(OUTBOX).filter((one) => /\.(eml|txt)$/.test(one))) {
      const raw = fs.readFileSync(path.join(OUTBOX, file), "utf8");
      const plain = raw.replace(/=\r?\n/g, "").replace(/=([0-9A-F]{2})/g, (_, hex) => String.fromCharCode(parseInt(hex, 16)));
      if (plain.includes(`To: ${to}`) && plain.includes(holds)) return plain;
    }
    await new Promise((done) => setTimeout(done, 200));
  }
  throw new Error(`no message with ${holds}`);
}

const linkIn = (text, kind) => text.match(new RegExp(`${BASE}[^\\s)>"]*/${kind}/[0-9a-f]+`))[0];

/** Waits until all regions have been worked out after the start: a build for tests takes a while. */
async function firstPage() {
  for (let tries = 0; tries < 180; tries++) {
    const answer = await fetch(`${BASE}/`).catch(() => null);
    if (answer?.status === 200) return;
    await new Promise((done) => setTimeout(done, 500));
  }
  throw new Error("the first page does not come up");
}

// A person reads before they press.
const read = () => new Promise((done) => setTimeout(done, 2300));

async function walk(language) {
  const root = language === "es" ? "/es" : "";
  const context = await patient(browser.newContext());
  const page = await context.newPage();
  const open = async (where, name, status = 200) =>
    inspect(page, `${language} ${name}`, { response: await go(page, where), status });
  const look = (name, response, status = 200) => inspect(page, `${language} ${name}`, { response, status });
  const send = () => press(page, page.locator("main form button").first());
  const email = `walker-${language}@example.org`;
  const phone = language === "es" ? "505-555-0197" : "505-555-0198";

  await open(root || "/", "home");
  await open(`${root}/privacy`, "privacy");
  await open(`${root}/find?zip=${ZIP}`, "the region of a ZIP code");
  const found = new URL(page.url());
  wanted("find", found.pathname === `${root}/region/${REGION}`, "the ZIP code does not lead to its region");
  wanted("find", (await page.inputValue("#zip")) === ZIP, "the ZIP code has to be typed twice");
  await open(`${root}/find?zip=00399`, "find where nobody watches");
  await open(`${root}/find?zip=12`, "find with a fault", 400);
  await open(`${root}/no-such-page`, "no such page", 404);

  // A place that nobody watches: the wish is taken like a sign-up.
  await open(`${root}/wish?zip=00399`, "sign-up for a place not watched");
  await page.fill("#email", `wisher-${language}@example.org`);
  await read();
  await look("wish sent", await send());

  // Faults beside the fields, what was typed is kept.
  await open(`${root}/sign-up`, "sign-up");
  await page.fill("#zip", "123");
  await page.fill("#phone", "555-0100");
  await look("sign-up with faults", await send(), 422);
  wanted("faults", (await page.inputValue("#phone")) === "555-0100", "what was typed is not kept");
  await page.fill("#zip", `${ZIP}, 00320`);
  await page.fill("#phone", "");
  await page.fill("#email", email);
  // As if the page had been open for days.
  await page.locator("input[name=token]").evaluate((token) => (token.value = "0"));
  await look("sign-up too old", await send(), 422);
  await page.check(`input[name=language][value=${language}]`);
  await read();
  await look("sign-up sent", await send());

  const asked = await message(email, "/confirm/");
  const confirm = linkIn(asked, "confirm");
  await open(confirm, "confirm");
  await look("confirmed", await send());
  const preferences = await page.locator("a[href*='/preferences/']").first().getAttribute("href");
  await open(confirm, "confirmed before");
  await open(`${root}/region/${REGION}`, "region long after its record");

  let response = await go(page, preferences);
  await look("preferences with two places", response);
  response = await press(page, page.locator("form:has(input[value=remove]) button").last());
  await look("preferences with one place", response);
  await page.fill("#zip", "00399");
  response = await press(page, page.locator("form:has(input[value=add]) button"));
  await look("preferences with a place more", response);
  wanted("preferences", (await page.content()).includes("00399"), "the place is not there");
  await page.fill("#zip", "9");
  response = await press(page, page.locator("form:has(input[value=add]) button"));
  await look("preferences with a fault", response, 422);
  response = await press(page, page.locator("form:has(input[value=erase]) button"));
  await look("preferences not sure", response, 422);
  response = await press(page, page.locator("form:has(input[value=stop]) button"));
  await look("preferences stopped", response);
  response = await press(page, page.locator("form:has(input[value=start]) button"));
  wanted("start", response.status() === 200, "cannot start again");

  // The link in a message: opening changes nothing, the button stops.
  const welcome = await message(email, "/stop/");
  await open(linkIn(welcome, "stop"), "stop");
  await look("stopped", await send());
  await go(page, preferences);
  wanted("stop", (await page.locator("form:has(input[value=start])").count()) === 1, "the button did not stop");
  await page.check("input[name=sure]");
  response = await press(page, page.locator("form:has(input[value=erase]) button"));
  await look("erased", response);
  await open(preferences, "preferences of nobody", 404);

  await open(`${root}/preferences`, "preferences, asking for the link");
  await look("preferences, asking with faults", await send(), 422);
  await page.fill("#email", `nobody-${language}@example.org`);
  await read();
  await look("preferences, asked", await send());

  // By text: the code is typed where the form was sent.
  await go(page, `${root}/sign-up?zip=${ZIP}`);
  await page.fill("#phone", phone);
  await read();
  await look("sign-up sent by text", await send());
  const code = (await message(phone.replace(/-/g, "").replace(/^/, "+1"), language === "es" ? " SI " : " YES ")).match(/\b\d{6}\b/)[0];
  await page.fill("#code", code === "000000" ? "000001" : "000000");
  await look("code wrong", await send(), 422);
  await page.fill("#code", code);
  await look("code right", await send());
  await open(`${root}/confirm`, "code");
  await page.fill("#phone", "12");
  await page.fill("#code", "1");
  await look("code with faults", await send(), 422);
  await open(`${root}/confirm/0123`, "confirm with a link that is none", 404);
  await context.close();
}

/** Every state of a region, on one day; and what a person is asked afterwards. */
async function gallery(language) {
  const root = `${GALLERY}${language === "es" ? "/es" : ""}`;
  const context = await patient(browser.newContext());
  const page = await context.newPage();
  const open = async (where, name, status = 200, print = false) =>
    inspect(page, `${language} ${name}`, { response: await go(page, where), status, print });
  await open(root, "home with all standings");
  await open(`${root}/guide`, "guide", 200, true);
  // One ZIP code over two heights.
  await open(`${root}/find?zip=00210`, "find on a mountain");
  await open(`${root}/region/sierra-alta`, "region of a height");
  await open(`${root}/sign-up?zip=00210`, "sign-up on a mountain");
  const join = () => press(page, page.locator("main form button").first());
  await page.fill("#email", `climber-${language}@example.org`);
  await read();
  await inspect(page, `${language} sign-up without a height`, { response: await join(), status: 422 });
  await page.check("input[name=height-00210][value=unknown]");
  await read();
  await inspect(page, `${language} sign-up with a height`, { response: await join(), status: 200 });
  for (const [state, region] of Object.entries(JSON.parse(process.env.STATES))) {
    await open(`${root}/region/${region}`, `region ${state}`, 200, ["look", "over"].includes(state));
  }
  // What is folded away is looked at too.
  for (const fold of await page.locator("summary").all()) await fold.click();
  await inspect(page, `${language} region unfolded`);
  const seen = GALLERY + JSON.parse(process.env.SEEN)[language];
  await open(seen, "seen, asked");
  const send = () => press(page, page.locator("main form button"));
  await inspect(page, `${language} seen, nothing chosen`, { response: await send(), status: 422 });
  for (const [saw, day, beans] of [["eggs", "", ""], ["none", "1", "yes"], ["crawlers", "9", "unsure"], ["not-looked", "", ""]]) {
    await page.check(`input[name=saw][value=${saw}]`);
    await page.selectOption("#day", day);
    if (beans) await page.check(`input[name=beans][value=${beans}]`);
    await inspect(page, `${language} seen, ${saw}`, { response: await send() });
  }
  await open(`${seen}0`, "seen, closed");
  // A method that the page does not know, as no person sends it.
  await page.route(`${root}/guide`, (route) => route.continue({ method: "POST" }));
  await open(`${root}/guide`, "not by this method", 405);
  await page.unroute(`${root}/guide`);
  // A network that asks for links without end is told so; by the second language it has already been.
  for (let turn = 0, done = false; turn < 8 && !done; turn++) {
    await go(page, `${root}/preferences`);
    await page.fill("#email", `owner${turn}@example.org`);
    await read();
    const response = await press(page, page.locator("main form button").first());
    done = response.status() === 429;
    if (done) await inspect(page, `${language} too many`, { response, status: 429 });
    else if (turn === 7) found("gallery", `the limit of links does not show: ${response.status()}`);
  }
  await inspect(page, `${language} out of order`, {
    response: await go(page, `${BROKEN}${language === "es" ? "/es" : ""}/sign-up?zip=00101`),
    status: 503,
  });
  await context.close();
}

/** Signs up with the keyboard alone and no script, by text; confirms by code. */
async function byKeyboard() {
  const context = await patient(browser.newContext({ javaScriptEnabled: false }));
  const page = await context.newPage();
  await go(page, "/sign-up");
  const focused = () => page.locator(":focus");
  const reach = async (selector) => {
    for (let presses = 0; presses < 40; presses++) {
      await page.keyboard.press("Tab");
      if (await page.locator(`${selector}:focus`).count()) return;
    }
    throw new Error(`${selector} cannot be reached with the Tab key`);
  };
  await page.keyboard.press("Tab");
  wanted("keyboard", (await focused().getAttribute("href")) === "#main", "the first stop is not the way to the text");
  await reach("#zip");
  await page.keyboard.type(ZIP);
  await reach("#phone");
  await page.keyboard.type("505-555-0199");
  await reach("main form button");
  await read();
  await Promise.all([page.waitForNavigation(), page.keyboard.press("Enter")]);
  const code = (await message("+15055550199", " YES ")).match(/\b\d{6}\b/)[0];
  await reach("#code");
  await page.keyboard.type(code);
  await Promise.all([page.waitForNavigation(), page.keyboard.press("Enter")]);
  wanted("keyboard", (await page.locator("a[href*='/preferences/']").count()) === 1, "the code did not confirm");
  await context.close();
}

await run(async () => {
  await firstPage();
  await byKeyboard();
  for (const language of ["en", "es"]) {
    await walk(language);
    await gallery(language);
  }
});
