// Drives Chromium through a new region, a region that is changed, and people of the staff's desk, on a phone. Prints one line a finding;
// ends with 1 when there is any.
//
// Environment: INVITATION (path of one), REGION, NAME and ZIP (a region's id, name and ZIP code, whose people are looked at), LIST (a CSV
// file with a good row and bad ones), and that of desk_shared.mjs.
import { BASE, run, signIn, tabTo, walker, wanted } from "./desk_shared.mjs";

const { INVITATION, REGION, NAME, ZIP, LIST } = process.env;
const { page, inspect, press, button, says, openAll } = await walker();

/** The page of a draft once its work has ended. */
async function ended() {
  let underWay = 0;
  while (await page.getByRole("link", { name: "Look again", exact: true }).count()) {
    if (underWay++ === 0) {
      await inspect("draft under way");
      wanted("draft under way", (await page.locator("meta[http-equiv=refresh]").count()) === 0, "reloads itself unasked");
    }
    wanted("draft", underWay < 600, "does not end");
    await page.waitForTimeout(500);
    await page.reload();
  }
}

async function aNewRegion() {
  await page.goto(`${BASE}/desk/region/${REGION}`);
  const station = await page.locator(".lines li", { hasText: "The region’s own" }).locator(".soft").innerText();
  await page.goto(`${BASE}/desk/today`);
  await press(page.getByRole("link", { name: "Add a region" }));
  await inspect("new region", { response: await page.reload() });
  const order = await tabTo(page, "new region", "zips");
  wanted("new region", order.includes("name"), "ZIP codes come before the name");
  await openAll();
  await inspect("new region opened");
  await page.goto(`${BASE}/desk/new-region`);
  await page.fill("#name", "Alta Mesa");
  await page.fill("#zips", `${ZIP} 0039`);
  await inspect("new region with faults", { status: 422, response: await press(button("Look at it")) });
  await says("new region with faults", "dropped its zeros");
  await page.fill("#zips", ZIP);
  await press(button("Look at it"));
  await says("new region, taken", `ZIP code ${ZIP} belongs to ${NAME}`);
  // Where no station is near by which its height could be told, it fails and says what to do.
  await page.fill("#zips", "00399");
  await press(button("Look at it"));
  await ended();
  await inspect("draft that failed");
  await says("draft that failed", "nothing was saved");
  await says("draft that failed", "under “Elevation”");
  await press(page.getByRole("link", { name: "“Elevation”" }).first());
  wanted("draft that failed", await page.locator("#elevation_ft").isVisible(), "the link does not lead to the field");
  wanted("change again", (await page.inputValue("#zips")) === "00399", "the form is empty");
  // Far from every station and high above them: one is offered and not taken.
  await openAll();
  await page.fill("#elevation_ft", "9,000");
  await press(button("Look at it"));
  await ended();
  await inspect("draft without a station", { response: await page.reload() });
  await says("draft without a station", "No weather station fits this place");
  await says("draft without a station", "miles away");
  await openAll();
  await inspect("draft without a station opened");
  await page.goto(`${BASE}/desk/new-region`);
  wanted("drafts", (await page.locator(".lines li").count()) === 1, "one that was tried again stays in the list");
  await inspect("new region with a draft", { response: await page.reload() });
  await press(page.getByRole("link", { name: "Alta Mesa" }));
  await press(button("Use it"));
  await ended();
  await inspect("draft on a low station", { response: await page.reload() });
  await says("draft on a low station", "lower than the region’s trees");
  await says("draft on a low station", "too early");
  await press(page.getByRole("link", { name: "Change", exact: true }));
  await page.fill("#zips", "00391");
  await openAll();
  await page.fill("#elevation_ft", "5,600 ft");
  await page.fill("#stations", station);
  await press(button("Look at it"));
  await ended();
  await inspect("draft", { response: await page.reload() });
  await says("draft", "1 person waits for its ZIP codes");
  wanted("draft", (await page.locator("svg.ribbon").count()) > 5, "past seasons are not drawn");
  wanted("draft", !(await page.locator("svg.ribbon").first().isVisible()), "past seasons stand between the reader and Save");
  const sure = page.getByLabel("I have looked at what is in doubt");
  if (await sure.count()) {
    await inspect("draft in doubt", { status: 422, response: await press(page.getByRole("button", { name: "Save", exact: true })) });
    await sure.check();
  }
  await page.fill("#why", "people wait there");
  await inspect("region added", { response: await press(page.getByRole("button", { name: "Save", exact: true })) });
  await says("region added", "Added.");
}

async function aChange() {
  await page.goto(`${BASE}/desk/region/${REGION}`);
  await press(page.getByRole("link", { name: "Change it" }));
  await openAll();
  await inspect("change region");
  await page.goto(`${BASE}/desk/region/${REGION}/change`);
  await page.fill("#name", "");
  await inspect("change region with faults", { status: 422, response: await press(page.getByRole("button", { name: "Change", exact: true })) });
  await page.fill("#name", `${NAME} B`.slice(0, 30));
  await press(page.getByRole("button", { name: "Change", exact: true }));
  await says("region changed", "Changed.");
  await page.goto(`${BASE}/desk/region/${REGION}/change`);
  await press(page.getByRole("link", { name: "Take it out of use" }));
  await inspect("retire region", { response: await page.reload() });
}

async function thePeople() {
  await inspect("people", { response: await page.goto(`${BASE}/desk/people`) });
  await page.fill("#address", "juniper");
  await inspect("people, no address", { status: 422, response: await press(button("Find")) });
  await page.fill("#zip", ZIP);
  await inspect("people of a ZIP code", { response: await press(page.getByRole("button", { name: "Show", exact: true })) });
  await page.fill("#address", "juniper.owner@example.org");
  await press(button("Find"));
  wanted("person", page.url().includes("/desk/person/"), `an address leads to ${page.url()}`);
  wanted("person", !(await page.content()).includes("juniper.owner@"), "shows the address");
  await openAll();
  await inspect("person");
  await page.locator("summary", { hasText: "Show the addresses" }).evaluate((one) => (one.parentElement.open = true));
  const show = page.locator("form[action$='/show']");
  await inspect("person without a reason", { status: 422, response: await press(show.getByRole("button")) });
  await page.locator("form[action$='/show'] input[name=why]").fill("asked to spell it back");
  await inspect("person in full", { response: await press(page.locator("form[action$='/show']").getByRole("button")) });
  await says("person in full", "juniper.owner@example.org");
  await page.goto(page.url().replace(/\/show$/, ""));
  await press(page.getByRole("link", { name: "Erase them" }));
  await inspect("erase a person", { response: await page.reload() });
}

async function aNewPerson() {
  await page.goto(`${BASE}/desk/people`);
  await press(page.getByRole("link", { name: "Add a person" }));
  await inspect("new person", { response: await page.reload() });
  await page.fill("#zips", ZIP);
  await inspect("new person with faults", { status: 422, response: await press(page.getByRole("button", { name: "Add", exact: true })) });
  await page.fill("#phone", "(505) 555-0144");
  await page.selectOption("#language", "es");
  await press(page.getByRole("button", { name: "Add", exact: true }));
  await says("person added", "Added.");
}

async function aList() {
  await inspect("list", { response: await page.goto(`${BASE}/desk/people-list`) });
  await page.goto(`${BASE}/desk/people-list`);
  await page.setInputFiles("#list", LIST);
  await inspect("list tried", { response: await press(button("Check the file")) });
  await says("list tried", "1 added");
  await says("list tried", "2 rows refused");
  await press(button("Add 1, leave out the 2 refused"));
  await says("list taken", "Imported: 1 added");
}

await run(async () => {
  await signIn(page, INVITATION);
  await thePeople();
  await aNewPerson();
  await aList();
  await aNewRegion();
  await aChange();
}, page);
