// What a person does with jobs, belt, log and keys, in a real browser: with two phones, with a daemon that is killed under the open page.

import assert from "node:assert/strict";
import { readFile } from "node:fs/promises";
import { join } from "node:path";
import { after, afterEach, before, test } from "node:test";

import { startDaemon, top } from "./daemon.mjs";
import { checkTargets, launch, openPage, shoot, shots, size, soon, whole } from "./look.mjs";

let browser;
let daemon;
let opened = [];

before(async () => { browser = await launch(); });
after(async () => { await browser?.close(); });
afterEach(async () => {
  for (const { context } of opened) await context.close();
  opened = [];
  await daemon?.close();
  daemon = undefined;
});

async function open(options = {}, path = "/") {
  const found = await openPage(browser, `${daemon.address}${path}`, options);
  opened.push(found);
  return found;
}

const file = (name) => readFile(join(top, "demo-jobs", name));

/** Puts a job into the queue as a program would. */
async function add(name, query = "") {
  const answer = await fetch(`${daemon.address}/api/v1/jobs?name=${name}${query}`, { method: "POST", body: await file(name) });
  assert.equal(answer.status, 201, await answer.clone().text());
  return answer.json();
}

const order = async () => (await daemon.read("/jobs?state=open")).jobs.map((job) => job.name);

test("jobs are put in order by dragging and by buttons, and a cancel is undone", whole, async () => {
  daemon = await startDaemon();
  await fetch(`${daemon.address}/api/v1/lines/one/stop`, { method: "POST" });
  for (const name of ["tray-clip.gcode", "seed-scoop.gcode", "packet-holder.gcode"]) await add(name);
  const { page, faults } = await open();
  await page.locator("#job-3").waitFor(soon);
  await page.locator("#job-3").getByRole("button", { name: "Move packet-holder up" }).click();
  await page.waitForFunction(() => document.querySelectorAll("[data-order] > li")[1]?.id === "job-3", undefined, soon);
  assert.deepEqual(await order(), ["tray-clip", "packet-holder", "seed-scoop"]);
  await page.locator("#job-1").getByRole("button", { name: "Move tray-clip down" }).click();
  await page.waitForFunction(() => document.querySelector("[data-order] > li")?.id === "job-3", undefined, soon);
  assert.deepEqual(await order(), ["packet-holder", "tray-clip", "seed-scoop"]);
  await page.locator("#job-1").getByRole("button", { name: "Move tray-clip up" }).click();
  await page.waitForFunction(() => document.querySelector("[data-order] > li")?.id === "job-1", undefined, soon);
  // Dragged by its grip above the first one.
  const grip = page.locator("#job-2 [data-grip]");
  await grip.scrollIntoViewIfNeeded();
  const from = await grip.boundingBox();
  await page.mouse.move(from.x + 10, from.y + 10);
  await page.mouse.down();
  const first = await page.locator("#job-1").boundingBox();
  await page.mouse.move(from.x + 10, first.y - 40 + (from.y - (await page.locator("#job-2").boundingBox()).y), { steps: 12 });
  await page.screenshot({ path: join(shots, `drag-${size}.png`) });
  await page.mouse.up();
  await page.waitForFunction(() => document.querySelector("[data-order] > li")?.id === "job-2", undefined, soon);
  for (let tries = 0; tries < 50 && (await order())[0] !== "seed-scoop"; tries += 1) await page.waitForTimeout(100);
  assert.deepEqual(await order(), ["seed-scoop", "tray-clip", "packet-holder"]);

  await page.locator("#job-2").getByRole("button", { name: "Cancel seed-scoop" }).click();
  await page.getByText("seed-scoop is canceled.").waitFor(soon);
  await page.locator("#ended #job-2").waitFor(soon);
  await page.evaluate(() => scrollTo(0, 0));
  await shoot(page, "canceled-undo");
  await page.locator("#said").getByRole("button", { name: "Undo" }).click();
  await page.locator("#queue #job-2").waitFor(soon);
  assert.deepEqual(await order(), ["seed-scoop", "tray-clip", "packet-holder"], "it stands where it stood");
  await page.locator("#job-1").getByRole("button", { name: "Hold tray-clip" }).click();
  await page.locator("#job-1").getByRole("button", { name: "Release tray-clip" }).waitFor(soon);
  await checkTargets(page);
  await page.locator("#queue").scrollIntoViewIfNeeded();
  await shoot(page, "queue");
  await page.locator("#job-1").getByRole("button", { name: "Release tray-clip" }).click();
  await page.locator("#job-1").getByRole("button", { name: "Hold tray-clip" }).waitFor(soon);
  assert.deepEqual((await daemon.read("/jobs?state=open")).jobs.map((job) => job.state), ["pending", "pending", "pending"]);
  assert.deepEqual(faults, []);
});

test("two phones change one job: the second is told that it was changed meanwhile", whole, async () => {
  daemon = await startDaemon();
  await fetch(`${daemon.address}/api/v1/lines/one/stop`, { method: "POST" });
  await add("tray-clip.gcode");
  const [one, two] = [await open({}, "/jobs/1"), await open({}, "/jobs/1")];
  for (const { page } of [one, two]) await page.getByLabel("Copies").waitFor(soon);
  // The second one is filling in the form while the first one sends it.
  await two.page.getByLabel("Copies").fill("9");
  await one.page.getByLabel("Copies").fill("4");
  await one.page.getByLabel("Material").fill("petg");
  await one.page.getByLabel("Lets go at, °C").fill("38.5");
  await shoot(one.page, "job");
  await one.page.getByRole("button", { name: "Change this job" }).click();
  await one.page.getByText("0 of 4 made").waitFor(soon);
  await two.page.getByText("0 of 4 made").waitFor(soon);
  assert.equal(await two.page.getByLabel("Copies").inputValue(), "9", "what is being filled in stays");
  await two.page.getByRole("button", { name: "Change this job" }).click();
  await two.page.getByText(/Somebody changed it first/).waitFor(soon);
  await two.page.evaluate(() => scrollTo(0, 0));
  await shoot(two.page, "changed-first");
  const job = await daemon.read("/jobs/1");
  assert.deepEqual([job.copies, job.material, job.release_c], [4, "petg", 38.5]);
  assert.deepEqual(one.faults, []);
});

test("a part that sticks is said to stick, tried again, scrapped, and the next job starts", whole, async () => {
  daemon = await startDaemon({ speed: 120 });
  const { page, faults } = await open();
  await add("plant-marker.2off.gcode", "&copies=1");
  await add("tray-clip.gcode");
  await page.getByRole("button", { name: "Hold after this part" }).click();
  await page.getByText("Will be held when this part has left the belt.").waitFor(soon);
  await page.getByRole("button", { name: "Do not hold after all" }).click();
  await page.getByText("Will be held when this part has left the belt.").waitFor({ state: "detached", ...soon });
  await page.locator(".question").waitFor(whole);
  // The belt goes back and forth faster than a browser is asked what it shows: the line itself says when it asks again.
  const asked = async () => {
    const { question, since } = await daemon.read("/lines/one");
    return question ? since : null;
  };
  const first = await asked();
  await page.getByRole("button", { name: /No,/ }).click();
  for (let tries = 0; tries < 600 && [null, first].includes(await asked()); tries += 1) await page.waitForTimeout(50);
  assert.ok(await asked() > first, "it is asked again, later");
  await page.locator(".question").waitFor(whole);
  await page.evaluate(() => scrollTo(0, 0));
  await shoot(page, "sticks-question");
  await page.getByText("The part is off the belt, but no good").click();
  await page.getByRole("button", { name: "The belt is clear, scrap this copy" }).click();
  await page.locator("#line-one .work", { hasText: "tray-clip" }).waitFor(whole);
  const job = await daemon.read("/jobs/1");
  assert.deepEqual([job.scrapped, job.completed], [1, 0]);
  await page.locator("#ended #job-1").getByRole("button", { name: "Make the rest of plant-marker" }).click();
  await page.locator("#queue").getByRole("heading", { name: "plant-marker" }).waitFor(soon);
  assert.deepEqual(faults, []);
});

test("a finished copy is called scrap and made again, and good after all", whole, async () => {
  daemon = await startDaemon({ speed: 240 });
  const { page, faults } = await open();
  await add("plant-marker.2off.gcode", "&copies=1");
  await page.locator(".question").waitFor(whole);
  await page.locator(".answer").first().click();
  await page.locator("#ended #job-1").waitFor(soon);
  await page.goto(`${daemon.address}/jobs/1`);
  await page.getByRole("button", { name: /Scrap it and make it again/ }).click();
  await page.getByText("Copy 1", { exact: true }).waitFor(soon);
  await page.getByRole("button", { name: /It is good after all/ }).waitFor(soon);
  await page.getByRole("button", { name: /Make the rest/ }).waitFor({ state: "detached", ...soon });
  await page.evaluate(() => scrollTo(0, document.body.scrollHeight));
  await shoot(page, "copies");
  const { jobs } = await daemon.read("/jobs");
  assert.equal(jobs.find((job) => job.id === 1).scrapped, 1);
  assert.ok(jobs.some((job) => job.restart_of === 1 && job.copies === 1), "another job makes it again");
  assert.deepEqual(faults, []);
});

test("a flaw is marked with a thumb on the strip", whole, async () => {
  daemon = await startDaemon({ belt: "loop_mm = 640.0" });
  const { page, faults } = await open({}, "/lines/one/belt");
  const strip = page.locator(".thumb .strip");
  await strip.scrollIntoViewIfNeeded();
  const box = await strip.boundingBox();
  const y = box.y + box.height * 0.4;
  await page.mouse.move(box.x + box.width * 0.3, y);
  await page.mouse.down();
  await page.mouse.move(box.x + box.width * 0.5, y, { steps: 8 });
  await page.mouse.up();
  const near = Number(await page.getByLabel("Near end, mm before the nose").inputValue());
  const length = Number(await page.getByLabel("Length, mm").inputValue());
  // 272 mm of belt are drawn: a fifth of them.
  const [from, to] = await strip.evaluate((svg) => [Number(svg.dataset.fromMm), Number(svg.dataset.toMm)]);
  assert.ok(Math.abs(length - (from - to) * 0.2) <= 2, `${length} of ${from - to}`);
  assert.ok(Math.abs(near - (from - (from - to) * 0.5)) <= 2, `${near}`);
  await shoot(page, "thumb");
  await page.getByRole("button", { name: "Mark this flaw" }).click();
  await page.getByText(/^Flaw \d+, /).last().waitFor(soon);
  const { belt } = await daemon.read("/lines/one");
  assert.ok(belt.flaws.some((flaw) => Math.abs(flaw.before_mm - near) < 0.01 && Math.abs(flaw.length_mm - length) < 0.01));
  assert.deepEqual(faults, []);
});

test("the log is read by job and by day, and as CSV", whole, async () => {
  daemon = await startDaemon({ speed: 120 });
  await add("tray-clip.gcode");
  const { page, faults } = await open();
  await page.getByRole("link", { name: "Log", exact: true }).click();
  await page.getByText("was taken in").waitFor(soon);
  assert.match(page.url(), /zone=/, "days are the reader's own");
  await checkTargets(page);
  await shoot(page, "log");
  const before = await page.locator(".entries li").count();
  await page.waitForFunction((old) => document.querySelectorAll(".entries li").length > old, before, whole);
  await page.getByLabel("Job").fill("1");
  await page.getByRole("button", { name: "Show", exact: true }).click();
  await page.getByText("was taken in").waitFor(soon);
  assert.equal(await page.locator(".entries li", { hasText: "connected to" }).count(), 0);
  // The day that it is in the reader's zone, and one on which nothing happened.
  const today = await page.evaluate(() => new Date().toLocaleDateString("sv"));
  for (const [day, entries] of [[today, true], ["2020-02-29", false]]) {
    await page.getByLabel("Day").fill(day);
    await page.getByRole("button", { name: "Show", exact: true }).click();
    await page.waitForURL(new RegExp(`day=${day}`), soon);
    assert.equal(await page.locator(".entries li").count() > 0, entries, day);
  }
  await page.getByLabel("Day").fill(today);
  await page.getByRole("button", { name: "Show", exact: true }).click();
  await page.getByText("was taken in").waitFor(soon);
  const [download] = await Promise.all([page.waitForEvent("download"), page.getByRole("link", { name: "As CSV" }).click()]);
  const csv = await readFile(await download.path(), "utf8");
  assert.match(csv, /^number,at,line,job,cycle,kind,text\r\n/);
  assert.match(csv, /tray-clip/);
  assert.deepEqual(faults, []);
});

test("a temperature curve tells when the part lets go, and the page heals when the daemon comes back", whole, async () => {
  daemon = await startDaemon();
  const { page } = await open();
  await add("plant-marker.2off.gcode", "&copies=1");
  await page.locator("li[aria-current=step]", { hasText: "Cool" }).waitFor(whole);
  const curve = page.locator("svg.curve");
  await curve.waitFor(soon);
  assert.match(await curve.getAttribute("aria-label"), /lets go at/);
  // It is drawn anew every second.
  await page.evaluate(() => document.querySelector("svg.curve").scrollIntoView({ block: "center" }));
  await shoot(page, "curve");
  await daemon.kill();
  await page.getByText(/^No connection\./).waitFor({ timeout: 5_000 });
  await daemon.restart();
  await page.getByText("Connected", { exact: true }).waitFor(soon);
  await page.locator(".question").waitFor(soon);
});

test("keys are made, shown once and revoked", whole, async () => {
  daemon = await startDaemon();
  const { page, faults } = await open({}, "/keys");
  await page.getByLabel("Whose it is, or where").fill("tablet");
  await page.getByRole("button", { name: "Make a key" }).click();
  await page.getByRole("heading", { name: "The key tablet" }).waitFor(soon);
  await shoot(page, "key-made");
  await page.getByRole("link", { name: "Done" }).click();
  await page.getByRole("heading", { name: "tablet", exact: true }).waitFor(soon);
  await checkTargets(page);
  await shoot(page, "keys");
  await page.getByText("Revoke tablet …").click();
  await page.getByRole("button", { name: "Revoke tablet" }).click();
  await page.getByRole("heading", { name: "Revoked" }).waitFor(soon);
  assert.deepEqual(faults, []);
});

test("jobs that ended are leafed through, fifty at a time", { timeout: 300_000 }, async () => {
  daemon = await startDaemon();
  await fetch(`${daemon.address}/api/v1/lines/one/stop`, { method: "POST" });
  const body = await file("tray-clip.gcode");
  for (let at = 0; at < 90; at += 1) {
    const answer = await fetch(`${daemon.address}/api/v1/jobs?name=clip-${at}.gcode`, { method: "POST", body });
    const { id } = await answer.json();
    await fetch(`${daemon.address}/api/v1/jobs/${id}/cancel`, { method: "POST" });
  }
  const { page, faults } = await open();
  const seen = async () => page.locator("[data-job]").evaluateAll((jobs) => jobs.map((job) => job.dataset.job));
  const newest = await seen();
  await page.getByRole("link", { name: "Jobs that ended before" }).click();
  await page.waitForURL(/\/jobs\?/, soon);
  const first = await seen();
  assert.equal(first.length, 50);
  await shoot(page, "ended");
  await page.getByRole("link", { name: "Go on" }).click();
  await page.waitForURL(/after=/, soon);
  const second = await seen();
  assert.equal(new Set([...newest, ...first, ...second]).size, 90);
  assert.equal(newest.length + first.length + second.length, 90, "each is there once");
  assert.deepEqual(faults, []);
});
