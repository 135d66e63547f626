// Drives Chromium through field reports and a region of the staff's desk, as somebody at a tree with a phone would: two taps, then a
// photograph, the list, a word on an owner's report, what it changes, the region in depth. Prints one line a finding; ends with 1
// when there is any.
//
// Environment: INVITATION (path of one), PHOTOGRAPH (a JPEG), REGION and NAME (a region's id and name), and that of desk_shared.mjs.
import { BASE, run, signIn, tabTo, walker, wanted } from "./desk_shared.mjs";

const { INVITATION, PHOTOGRAPH, REGION, NAME } = process.env;
const { page, inspect, press, button, says, openAll } = await walker();

/** Where somebody stands whose thumb reaches what is seen without a scroll. */
async function inReach(where, one) {
  const box = await one.boundingBox();
  wanted(where, box && box.y >= 0 && box.y + box.height <= 844, `has to be scrolled to: ${JSON.stringify(box)}`);
}

async function twoTaps() {
  await inspect("new report", { response: await page.goto(`${BASE}/desk/new-report?region=${REGION}`) });
  await page.goto(`${BASE}/desk/new-report?region=${REGION}`);
  const { height } = await page.locator(".brand").boundingBox();
  wanted("new report", height < 50, `the name of the house has more than two lines: ${height} px`);
  const eggs = page.locator("label.tile", { hasText: "eggs" }).first();
  await inReach("the tile of eggs", eggs);
  const save = page.getByRole("button", { name: "Save" }).first();
  for (const [what, one] of [["the day", page.locator("#date")], ["count at once", page.locator("label[for=count]")], ["Save", save]]) {
    await inReach(what, one);
    const [here, end] = [await one.boundingBox(), await save.boundingBox()];
    wanted(what, here.y <= end.y, "stands below Save");
  }
  // What may be missed below it is named beside it.
  await page.getByRole("link", { name: "ZIP code, tree, photograph: below" }).click();
  await inReach("the way to the ZIP code", page.locator("#zip"));
  await eggs.tap();
  wanted("two taps", await eggs.locator("input").isChecked(), "the tap on the tile chooses nothing");
  await inspect("report entered", { response: await press(page.getByRole("button", { name: "Save" }).first()) });
  await says("report entered", "Saved.");
  await says("report entered", "with eggs");
  // Whoever was here is offered the same region again.
  await page.goto(`${BASE}/desk/new-report`);
  wanted("region", (await page.inputValue("#region")) === REGION, "the last region is not the first choice");
}

async function byKeyboard() {
  await page.goto(`${BASE}/desk/new-report?region=${REGION}`);
  await tabTo(page, "keyboard", "saw");
  await page.keyboard.press("Space");
  await page.keyboard.press("ArrowDown");
  wanted("keyboard", (await page.locator("input[name=saw]:checked").count()) === 1, "arrows choose nothing");
}

async function inFull() {
  await page.goto(`${BASE}/desk/new-report?region=${REGION}`);
  await page.fill("#zip", "99999");
  await page.fill("#tree", "tall one by the creek");
  await inspect("report with faults", { status: 422, response: await press(page.getByRole("button", { name: "Save" }).first()) });
  await says("report with faults", "Choose what was seen.");
  await says("report with faults", "is not a ZIP code of");
  await page.fill("#zip", "");
  await page.locator("label.tile", { hasText: "crawlers" }).tap();
  await page.fill("#by", "RG");
  await page.fill("#note", "Lower branches, south side.");
  await page.setInputFiles("#photograph", PHOTOGRAPH);
  await inspect("report with a photograph", { response: await press(page.getByRole("button", { name: "Save" }).last()) });
  await says("report with a photograph", "tall one by the creek");
  const wide = await page.locator(".photograph img").evaluate(async (one) => {
    one.loading = "eager";
    await one.decode();
    return one.naturalWidth;
  });
  wanted("photograph", wide > 0, "it does not show");
  await openAll();
  await inspect("report opened");
  await press(button("Erase the photograph"));
  await says("photograph erased", "The photograph is erased.");
}

async function theList() {
  await page.goto(`${BASE}/desk/today`);
  await press(page.locator("#word a", { hasText: /^\d+ field reports?$/ }));
  wanted("today", new URL(page.url()).pathname === "/desk/reports", "what needs a word does not lead to the reports");
  await inspect("reports", { response: await page.goto(`${BASE}/desk/reports`) });
  await says("reports", "wait for a word from you");
  await press(page.locator(".lines li", { hasText: "an owner" }).getByRole("link").first());
  await inspect("report of an owner");
  const aside = page.locator("details", { has: page.locator("summary", { hasText: /^Set it aside$/ }) });
  await aside.locator("summary").click();
  await inspect("set aside without a reason", { status: 422, response: await press(aside.getByRole("button", { name: "Set it aside" })) });
  await says("set aside without a reason", "Say why");
  await inspect("report confirmed", { response: await press(button("Confirm it")) });
  await says("report confirmed", "Confirmed.");
  await says("report confirmed", "Without it");
  await page.getByRole("link", { name: "The report" }).click();
  await page.waitForLoadState();
  await says("report confirmed", "Confirmed by maria");
  await page.goto(`${BASE}/desk/reports`);
  await page.selectOption("#region", REGION);
  await inspect("reports of a region", { response: await press(button("Show")) });
}

async function theRegion() {
  await page.goto(`${BASE}/desk/today`);
  await press(page.getByRole("link", { name: NAME, exact: true }));
  wanted("region", new URL(page.url()).pathname === `/desk/region/${REGION}`, "Today does not lead to the region");
  await inspect("region", { response: await page.reload() });
  const wide = await page.locator(".chart img").evaluate(async (one) => {
    await one.decode();
    return one.naturalWidth;
  });
  wanted("region", wide > 0, "the chart does not show");
  for (const part of ["How sure the dates are", "What one wash takes", "Stations", "People", "Field reports", "Who waits beside it", "What was changed"]) await says("region", part);
}

await run(async () => {
  await signIn(page, INVITATION);
  await twoTaps();
  await byKeyboard();
  await inFull();
  await theList();
  await theRegion();
}, page);
