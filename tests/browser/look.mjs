// What the tests in a real browser share: a browser, a page that takes note of its faults, pictures of it, a file that is added.

import assert from "node:assert/strict";
import { mkdir, readFile } from "node:fs/promises";
import { createRequire } from "node:module";
import { join } from "node:path";
import { chromium } from "playwright-core";

import { top } from "./daemon.mjs";

export const shots = join(import.meta.dirname, "shots");
export const job = join(top, "demo-jobs/plant-marker.2off.gcode");
/** Each run of the tests presses everything at one size, by day or by night; pictures are taken by both. */
const looks = {
  phone: { viewport: { width: 360, height: 740 }, colorScheme: "light" },
  desk: { viewport: { width: 1280, height: 800 }, colorScheme: "dark" },
};
export const size = process.env.NOSEBAR_LOOK ?? "phone";
export const look = looks[size];
assert.ok(look, `NOSEBAR_LOOK is ${size}, expected one of ${Object.keys(looks).join(", ")}`);
export const soon = { timeout: 30_000 };
export const whole = { timeout: 180_000 };

export async function launch() {
  await mkdir(shots, { recursive: true });
  return chromium.launch({
    executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
    args: [
      "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
      "--disable-component-update", "--disable-sync",
    ],
  });
}

/** A page in a context of its own; `faults` is whatever goes wrong in it. */
export async function openPage(browser, address, options = {}) {
  const context = await browser.newContext({ ...look, reducedMotion: "reduce", ...options });
  const faults = [];
  const page = await context.newPage();
  page.on("pageerror", (error) => faults.push(`error: ${error.message}`));
  page.on("console", (message) => {
    if (["error", "warning"].includes(message.type())) faults.push(`${message.type()}: ${message.text()}`);
  });
  await page.goto(address);
  return { context, page, faults };
}

const axe = await readFile(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");

/** Nothing on the page keeps anybody out, as far as axe-core can tell: WCAG 2.2, levels A and AA. */
export async function checkAccess(page, name) {
  const scripts = await page.evaluate(() => document.documentElement.classList.contains("alive"));
  // Without scripts there is nothing to run it; the same markup is looked at with them.
  if (!scripts) return;
  if (!await page.evaluate(() => "axe" in window)) await page.evaluate(axe);
  const violations = await page.evaluate(async () => {
    const only = { type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] };
    const { violations } = await window.axe.run(document, { runOnly: only, resultTypes: ["violations"] });
    return violations.map(({ id, help, nodes }) => `${id}: ${help}: ${nodes.slice(0, 3).map((node) => node.target.join(" ")).join(", ")}`);
  });
  assert.deepEqual(violations, [], name);
}

/** Takes a picture by day and one by night, sees that nothing sticks out to the right, and that nobody is kept out. */
export async function shoot(page, name) {
  const [content, screen] = await page.evaluate(() => [document.documentElement.scrollWidth, innerWidth]);
  assert.ok(content <= screen, `${name}: the page is ${content} px wide on a screen of ${screen} px`);
  const other = look.colorScheme === "light" ? "dark" : "light";
  for (const colorScheme of [other, look.colorScheme]) {
    await page.emulateMedia({ colorScheme });
    await page.screenshot({ path: join(shots, `${name}-${size}-${colorScheme}.png`) });
  }
  await checkAccess(page, `${name}, ${look.colorScheme}`);
  await page.emulateMedia({ colorScheme: other });
  await checkAccess(page, `${name}, ${other}`);
  await page.emulateMedia({ colorScheme: look.colorScheme });
}

/** Every visible control is at least 44 px high: a thumb's width. */
export async function checkTargets(page) {
  const small = await page.evaluate(() =>
    [...document.querySelectorAll("button, summary, input:not([type=hidden], [type=checkbox]), select")]
      .filter((control) => control.checkVisibility() && control.getBoundingClientRect().height < 44)
      .map((control) => `${control.tagName} ${control.textContent.trim()} ${control.getBoundingClientRect().height}`));
  assert.deepEqual(small, []);
}

/** The card of a file that was read and is not queued yet. */
export const proofOf = (page, name) => page.locator(".proof", { has: page.getByRole("heading", { name, exact: true }) });

/** Adds a file: chosen, looked at, put into the queue. */
export async function addFile(page) {
  await page.setInputFiles("#add-file", job);
  await proofOf(page, "plant-marker").getByRole("button", { name: "Put it into the queue" }).click(soon);
  await page.locator("#queue").getByRole("heading", { name: "plant-marker" }).waitFor(soon);
}
