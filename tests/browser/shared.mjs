// What all walks share: a browser, a list of findings, and what is asked of every page: html-validate, axe-core, width, targets.
//
// Environment: MODULES (folder with node_modules), CHROMIUM (the program).
import { createRequire } from "node:module";
import fs from "node:fs";
import path from "node:path";

const { MODULES, CHROMIUM } = process.env;
const require = createRequire(path.join(MODULES, "package.json"));
const { chromium } = require("playwright-core");
const { HtmlValidate } = require("html-validate");
const axe = fs.readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");

const validator = new HtmlValidate({
  extends: ["html-validate:standard"],
  rules: {
    // A matter of style: a button without an action of its own is a submit button.
    "no-implicit-button-type": "off",
    // Drawings carry their own style attributes only where the drawing needs them.
    "no-inline-style": "error",
    // The engine leaves blank lines and the like.
    "no-trailing-whitespace": "off",
    // Numbers may stand in any element.
    "tel-non-breaking": "off",
    // One page holds several forms of one kind; each is told apart by its heading.
    "form-dup-name": "off",
    // Words such as "Regions" lead to one place from head and foot.
    "long-title": ["error", { maxlength: 90 }],
  },
});

const findings = [];
export const found = (where, what) => {
  findings.push(`${where}: ${what}`);
  console.log(`FINDING ${where}: ${what}`);
};
export const wanted = (where, yes, what) => yes || found(where, what);

export const browser = await chromium.launch({ executablePath: CHROMIUM, args: ["--no-sandbox"] });

export async function validate(where, html) {
  for (const message of (await validator.validateString(html)).results.flatMap((result) => result.messages)) {
    found(where, `html-validate ${message.ruleId}: ${message.message} (line ${message.line})`);
  }
}

/** Asks axe-core of the page as it stands, and whether it fits the window. */
export async function inspectState(page, state) {
  // Put in by the driver, past the page's own policy, which lets no script run.
  await page.evaluate(axe);
  const report = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ["violations", "incomplete"] }));
  for (const { id, help, nodes } of report.violations) {
    found(state, `axe ${id}: ${help}: ${nodes.map((node) => node.html).join(" | ").slice(0, 300)}`);
  }
  // What axe-core cannot decide by itself is a finding too: so far every page could be made such that it can.
  for (const { id, nodes } of report.incomplete) {
    found(state, `axe leaves ${id} open: ${nodes.map((node) => node.html).join(" | ").slice(0, 300)}`);
  }
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  wanted(state, wide <= 0, `${wide} px wider than the window`);
}

/** Finds targets among `all` that are smaller than `least` pixels; a choice inside one of `labels` is as large as its label. */
export async function smallTargets(page, state, all, labels, least = 43.5) {
  const small = await page.evaluate(
    ([all, labels, least]) =>
      [...document.querySelectorAll(all)]
        .filter((one) => one.checkVisibility())
        .filter((one) => !(one.matches("input[type=radio], input[type=checkbox]") && one.closest(labels)))
        .map((one) => ({ box: one.getBoundingClientRect(), html: one.outerHTML.slice(0, 90) }))
        .filter(({ box }) => box.height < least || box.width < least)
        .map(({ box, html }) => `${Math.round(box.width)}x${Math.round(box.height)} ${html}`),
    [all, labels, least],
  );
  for (const one of small) found(state, `target too small: ${one}`);
}

/** What an act in the page leads to. */
export async function leads(page, act) {
  const [response] = await Promise.all([
    page.waitForResponse((one) => one.request().isNavigationRequest() && ![301, 302, 303].includes(one.status())),
    act(),
  ]);
  await page.waitForLoadState();
  return response;
}

/** What a press leads to. */
export const press = (page, button) => leads(page, () => button.click());

/** Walks, says how many findings there are, and ends with 1 when there is any. */
export async function run(walk, page) {
  try {
    await walk();
  } catch (why) {
    const shown = page ? `${page.url()}\n${(await page.locator("body").innerText().catch(() => "")).slice(0, 800)}` : "";
    found("the walk broke off", `${why.stack}\n${shown}`);
  } finally {
    await browser.close();
  }
  console.log(`${findings.length} findings`);
  process.exit(findings.length ? 1 : 0);
}
