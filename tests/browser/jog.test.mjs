// Buttons that run the belt while they are held, in a real browser against a real daemon: what counts is how far the belt ran.

import assert from "node:assert/strict";
import { join } from "node:path";
import { after, afterEach, before, beforeEach, test } from "node:test";
import { setTimeout as pause } from "node:timers/promises";

import { startDaemon } from "./daemon.mjs";
import { launch, openPage, shots, size, soon } from "./look.mjs";


// The belt of these tests runs at 300 mm/min: a piece is 0.3 s of that, a word counts for 1 s.
const UM_A_SECOND = 5_000;
const PIECE_UM = 0.3 * UM_A_SECOND;
const BOUND_UM = 1.3 * UM_A_SECOND;

let browser;
let daemon;
let contexts;

before(async () => { browser = await launch(); });

after(async () => { await browser?.close(); });

// A thumb lives in real time, and so does this machine.
beforeEach(async () => { [daemon, contexts] = [await startDaemon({ speed: 1 }), []]; });

afterEach(async () => {
  for (const context of contexts) await context.close();
  await daemon.close();
});

/** The page with the buttons, on a screen for thumbs; and what goes wrong in it. */
async function open() {
  const touch = { hasTouch: true, isMobile: size === "phone" };
  const { context, page, faults } = await openPage(browser, `${daemon.address}/lines/one/commission/direction`, touch);
  contexts.push(context);
  page.faults = faults;
  await page.getByText("Connected", { exact: true }).waitFor(soon);
  await standing();
  return page;
}

const button = (page, name) => page.getByRole("button", { name, exact: true });
const belt = async () => (await daemon.read("/lines/one")).belt_odometer_um;

/** The line has its printer, and nothing is being tried. */
async function standing() {
  for (let tries = 0; tries < 100; tries += 1) {
    const line = await daemon.read("/lines/one");
    if (line.commands.includes("jog-while") && line.temperatures.bed_c !== null) return line;
    await pause(100);
  }
  throw new Error(`the line does not stand: ${JSON.stringify(await daemon.read("/lines/one"))}`);
}

/** Where the belt stands when it has stood for two seconds. */
async function stands() {
  for (let last = await belt(), still = 0; ;) {
    await pause(200);
    const now = await belt();
    still = now === last ? still + 1 : 0;
    last = now;
    if (still === 10) return now;
  }
}

async function press(page, name) {
  await button(page, name).scrollIntoViewIfNeeded();
  const box = await button(page, name).boundingBox();
  const finger = await page.context().newCDPSession(page);
  await finger.send("Input.dispatchTouchEvent", {
    type: "touchStart", touchPoints: [{ x: box.x + box.width / 2, y: box.y + box.height / 2 }],
  });
  return {
    lift: () => finger.send("Input.dispatchTouchEvent", { type: "touchEnd", touchPoints: [] }),
    slip: (y) => finger.send("Input.dispatchTouchEvent", { type: "touchMove", touchPoints: [{ x: box.x + 20, y: box.y + y }] }),
  };
}

/** The belt runs: it has run so far, µm. */
async function runs(from, um) {
  for (let tries = 0; tries < 100; tries += 1) {
    if (Math.abs(await belt() - from) >= um) return;
    await pause(50);
  }
  throw new Error(`the belt does not run: ${JSON.stringify(await daemon.read("/lines/one"))}`);
}

/** What the API tells may be behind the belt by the piece that is under way. */
function within(ran, bound, what) {
  assert.ok(Math.abs(ran) <= bound + PIECE_UM, `${what}: the belt ran ${ran} µm more, and may run ${bound}`);
}

test("a thumb runs the belt either way, and lifting it stops it within a piece", async () => {
  const page = await open();
  for (const [name, way] of [["Toward the nose", 1], ["Away from the nose", -1]]) {
    const from = await belt();
    const thumb = await press(page, name);
    await runs(from, 2 * PIECE_UM);
    assert.equal(await button(page, name).getAttribute("aria-pressed"), "true");
    assert.match((await daemon.read("/lines/one")).words, /while a button is held/);
    await page.screenshot({ path: join(shots, `jog-held-${size}.png`) });
    // A thumb that slips is still on the glass.
    await thumb.slip(60);
    await pause(600);
    const at = await belt();
    await thumb.lift();
    const end = await stands();
    within(end - at, PIECE_UM, name);
    assert.ok((end - from) * way >= 3 * PIECE_UM, `${name}: from ${from} to ${end} µm`);
    assert.equal(await button(page, name).getAttribute("aria-pressed"), "false");
    const line = await standing();
    assert.deepEqual([line.state, line.reason], ["held", "commissioning"]);
    assert.match(line.words, /the button was let go/);
  }
  assert.deepEqual(page.faults, []);
});

test("a phone that is switched off under the thumb, or loses its connection, stops the belt within the bound", async () => {
  for (const lose of [(page) => page.context().close(), (page) => page.context().setOffline(true), (page) => page.goto("about:blank")]) {
    const page = await open();
    const from = await belt();
    await press(page, "Toward the nose");
    await runs(from, 2 * PIECE_UM);
    const at = await belt();
    await lose(page);
    const end = await stands();
    within(end - at, BOUND_UM, String(lose));
    assert.equal((await standing()).state, "held");
    await page.context().close();
  }
});

test("a key runs it too while it is held, and repeats of the keyboard begin nothing anew", async () => {
  const page = await open();
  for (const key of [" ", "Enter"]) {
    const from = await belt();
    await button(page, "Toward the nose").focus();
    await page.keyboard.down(key);
    await runs(from, PIECE_UM);
    await page.keyboard.down(key);
    const at = await belt();
    await page.keyboard.up(key);
    within(await stands() - at, PIECE_UM, key);
  }
  // Leaving the button is letting it go.
  const from = await belt();
  await button(page, "Toward the nose").focus();
  await page.keyboard.down(" ");
  await runs(from, PIECE_UM);
  const at = await belt();
  await button(page, "Away from the nose").focus();
  within(await stands() - at, PIECE_UM, "another focus");
  assert.deepEqual(page.faults, []);
});

test("of two thumbs the second one is told, and the first goes on", async () => {
  const [one, other] = [await open(), await open()];
  const from = await belt();
  const first = await press(one, "Toward the nose");
  await runs(from, PIECE_UM);
  const second = await press(other, "Away from the nose");
  await other.locator("#said", { hasText: "somebody else has a thumb on it" }).waitFor(soon);
  assert.equal(await button(other, "Away from the nose").getAttribute("aria-pressed"), "false");
  await second.lift();
  const at = await belt();
  await runs(at, 2 * PIECE_UM);
  await first.lift();
  assert.ok(await stands() > at);
});
