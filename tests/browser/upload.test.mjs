// Files on their way in, in a real browser: sent with their progress, read, looked at, queued or thrown away.
// Screenshots go to `shots/`.

import assert from "node:assert/strict";
import { readFile } from "node:fs/promises";
import { join } from "node:path";
import { after, afterEach, before, test } from "node:test";

import { startDaemon, top } from "./daemon.mjs";
import { checkTargets, job, launch, openPage, proofOf, shoot, soon } from "./look.mjs";

let browser;
let daemon;
let context;
let faults;

before(async () => { browser = await launch(); });
after(async () => { await browser?.close(); });
afterEach(async () => {
  await context?.close();
  await daemon?.close();
  context = daemon = undefined;
});

async function open(options = {}) {
  const opened = await openPage(browser, daemon.address, options);
  ({ context, faults } = opened);
  await opened.page.getByText("Connected", { exact: true }).waitFor(soon);
  return opened.page;
}

/** A print of `megabytes`: a fluted tube of many short strokes, layer upon layer, as a tall vase would be sliced. */
function longPrint(megabytes) {
  const lines = [
    "; material = petg", "G21", "G90", "M83", "M140 S80", "M104 S240", "M190 S80", "M109 S240", "G28", "G92 E0",
    "G0 X140 Y110 F7200",
  ];
  const strokes = 1_200;
  const layers = Math.ceil((megabytes * 1e6) / (strokes * 29));
  for (let layer = 1; layer <= layers; layer += 1) {
    lines.push(`G1 Z${(layer * 0.25).toFixed(2)} F600`);
    for (let stroke = 0; stroke < strokes; stroke += 1) {
      const angle = (2 * Math.PI * stroke) / strokes;
      const radius = 28 + 2 * Math.cos(24 * angle);
      const [x, y] = [110 + radius * Math.cos(angle), 110 + radius * Math.sin(angle)];
      lines.push(`G1 X${x.toFixed(3)} Y${y.toFixed(3)} E0.00700`);
    }
  }
  lines.push("M104 S0", "M140 S0");
  return Buffer.from(`${lines.join("\n")}\n`);
}

/** A file as the picker is given it. */
const file = (name, buffer) => ({ name, mimeType: "application/octet-stream", buffer });

/** Lets the page send no faster than so many bytes a second; `null` ends that. */
async function throttle(page, bytesPerSecond) {
  const wire = await context.newCDPSession(page);
  await wire.send("Network.enable");
  const free = bytesPerSecond === null;
  await wire.send("Network.emulateNetworkConditions", {
    offline: false, latency: 0, downloadThroughput: -1, uploadThroughput: free ? -1 : bytesPerSecond,
  });
}

/** Files that came in over the page and are not queued, as the API has them. */
const proofs = async () => (await daemon.read("/proofs")).proofs;
const jobs = async () => (await daemon.read("/jobs")).jobs;

/** A file of 20 MB, put where the page can hand it out: the test's own channel to the browser would be the slowest part. */
async function chooseLong(page, name) {
  const buffer = longPrint(20);
  assert.ok(buffer.length >= 20e6, `${buffer.length} bytes`);
  await page.setInputFiles("#add-file", file(name, buffer));
  return buffer.length;
}

test("a file of 20 MB is sent with its progress, read, looked at and queued three times", async () => {
  daemon = await startDaemon();
  const page = await open();
  await throttle(page, 6e6);
  const length = await chooseLong(page, "planter.gcode");
  const row = page.locator(".upload", { hasText: "planter.gcode" });
  const bar = row.getByRole("progressbar", { name: "Sending planter.gcode" });
  await bar.waitFor(soon);
  await page.waitForFunction(() => document.querySelector(".upload progress")?.value > 0.2, null, soon);
  assert.match(await row.textContent(), /[\d.]+ of 2\d\.\d MB/);
  await row.scrollIntoViewIfNeeded();
  await checkTargets(page);
  await shoot(page, "upload");
  const shares = await page.evaluate(async () => {
    const seen = [];
    while (document.querySelector(".upload progress")?.hasAttribute("value")) {
      seen.push(document.querySelector(".upload progress").value);
      await new Promise((done) => setTimeout(done, 100));
    }
    return seen;
  });
  assert.ok(new Set(shares).size >= 3, `progress was seen at ${shares}`);
  assert.ok(shares.every((share, at) => at === 0 || share >= shares[at - 1]), `it never goes back: ${shares}`);
  const card = proofOf(page, "planter");
  await card.waitFor({ timeout: 120_000 });
  await throttle(page, null);
  assert.equal(await row.count(), 0);
  await card.locator("img").evaluate((image) => image.decode());
  assert.match(await card.textContent(), /mm along the belt.*mm across.*mm high.*layers.*about \d+\sh.*petg/s);
  await card.scrollIntoViewIfNeeded();
  await checkTargets(page);
  await shoot(page, "proof");
  await card.getByRole("button", { name: "Throw it away" }).scrollIntoViewIfNeeded();
  await shoot(page, "proof-fields");
  assert.equal((await jobs()).length, 0, "nothing is queued yet");
  const [proof] = await proofs();
  assert.deepEqual([proof.name, proof.bytes, proof.copies, proof.concerns], ["planter", length, 1, []]);
  await card.getByLabel("Copies").fill("3");
  await card.getByLabel("Hold it until it is released").check();
  await card.getByRole("button", { name: "Put it into the queue" }).click();
  await page.getByText("planter is in the queue as job 1.").waitFor(soon);
  await card.waitFor({ state: "detached", ...soon });
  await page.locator("#queue").getByText("0 of 3 made").waitFor(soon);
  const [made] = await jobs();
  assert.deepEqual([made.name, made.copies, made.state, made.material], ["planter", 3, "pending-held", "petg"]);
  assert.deepEqual(faults, []);
});

test("an upload that is canceled or breaks off leaves nothing and may be tried again", async () => {
  daemon = await startDaemon();
  const page = await open();
  await throttle(page, 1e6);
  await chooseLong(page, "planter.gcode");
  await page.waitForFunction(() => document.querySelector(".upload progress")?.value > 0.02, null, soon);
  await page.getByRole("button", { name: "Cancel planter.gcode" }).click();
  await page.getByText("planter.gcode was not sent to its end; nothing of it was kept.").waitFor(soon);
  assert.equal(await page.locator(".upload").count(), 0);
  assert.deepEqual(await proofs(), []);
  assert.deepEqual(faults, []);

  await chooseLong(page, "planter.gcode");
  await page.waitForFunction(() => document.querySelector(".upload progress")?.value > 0.02, null, soon);
  await daemon.kill();
  const row = page.locator(".upload.failed", { hasText: "It broke off" });
  await row.waitFor(soon);
  await row.scrollIntoViewIfNeeded();
  await checkTargets(page);
  await shoot(page, "upload-broken");
  await daemon.restart();
  await throttle(page, null);
  assert.deepEqual(await proofs(), []);
  await row.getByRole("button", { name: "Try again" }).click();
  await proofOf(page, "planter").waitFor({ timeout: 120_000 });
  assert.equal((await proofs()).length, 1);
});

test("a file that was sent whole says that it is being read", async () => {
  daemon = await startDaemon();
  const page = await open();
  daemon.pause();
  try {
    await page.setInputFiles("#add-file", job);
    await page.getByText("Reading the file …").waitFor(soon);
    await page.getByRole("progressbar", { name: "Reading plant-marker.2off.gcode" }).scrollIntoViewIfNeeded();
    await shoot(page, "upload-reading");
  } finally {
    daemon.goOn();
  }
  await proofOf(page, "plant-marker").waitFor(soon);
  assert.deepEqual(faults, []);
});

test("a proof that is thrown away is gone, and what is typed into another one stays", async () => {
  daemon = await startDaemon();
  const page = await open();
  await page.setInputFiles("#add-file", [job, join(top, "demo-jobs/seed-scoop.gcode")]);
  const [marker, scoop] = [proofOf(page, "plant-marker"), proofOf(page, "seed-scoop")];
  await Promise.all([marker.waitFor(soon), scoop.waitFor(soon)]);
  assert.equal(await marker.getByLabel("Copies").inputValue(), "2", "its name says so");
  await marker.getByLabel("Copies").fill("7");
  await marker.getByLabel("Lets go at, °C").fill("33.5");
  await scoop.getByRole("button", { name: "Throw it away" }).click();
  await page.getByText("seed-scoop was thrown away.").waitFor(soon);
  await scoop.waitFor({ state: "detached", ...soon });
  assert.equal(await marker.getByLabel("Copies").inputValue(), "7");
  assert.deepEqual((await proofs()).map(({ name }) => name), ["plant-marker"]);
  // What the foreman refuses is said on the card, and the proof waits on.
  await marker.getByLabel("Lets go at, °C").fill("");
  await marker.getByLabel("Copies").fill("99999");
  await marker.getByRole("button", { name: "Put it into the queue" }).click();
  assert.equal((await jobs()).length, 0, "the browser itself keeps it back");
  await marker.getByLabel("Copies").fill("4");
  await marker.getByRole("button", { name: "Put it into the queue" }).click();
  await page.locator("#queue").getByText("of 4 made").waitFor(soon);
  assert.deepEqual(faults, []);
});

test("a rejected file says why, and one with concerns asks for a yes first", async () => {
  daemon = await startDaemon();
  const page = await open();
  const good = await readFile(join(top, "demo-jobs/tray-clip.gcode"), "utf8");
  const bad = good.replace("G92 E0\n", "G92 E0\nM500\nM502\n");
  await page.setInputFiles("#add-file", file("tray-clip.gcode", Buffer.from(bad)));
  const row = page.locator(".upload.failed");
  await row.getByText("The file was rejected").waitFor(soon);
  assert.match(await row.textContent(), /line 16: .*M500.*line 17: .*M502/s);
  await row.scrollIntoViewIfNeeded();
  await checkTargets(page);
  await shoot(page, "upload-rejected");
  await row.getByRole("button", { name: "Close tray-clip.gcode" }).click();
  await row.waitFor({ state: "detached", ...soon });
  assert.deepEqual(await proofs(), []);

  await page.setInputFiles("#add-file", file("tray-clip.gcode", Buffer.from(good.replace("G92 E0\n", "G92 E0\nM0\n"))));
  const card = proofOf(page, "tray-clip");
  await card.getByText("Read this before you queue it:").waitFor(soon);
  assert.match(await card.textContent(), /line 16: .*M0/);
  await card.locator("img").evaluate((image) => image.decode());
  await card.scrollIntoViewIfNeeded();
  await shoot(page, "proof-concern");
  await card.getByRole("button", { name: "I have read it: put it into the queue" }).click();
  await page.getByText("tray-clip is in the queue as job 1.").waitFor(soon);
  const [made] = await jobs();
  assert.ok(made.reviewed && made.reason !== "job-held-for-review", `${made.reason}`);
  assert.deepEqual(faults.filter((fault) => !fault.includes("status of 422")), []);
});

/** Drags files over the page, and lets them go. */
async function drag(page, files, letGo) {
  const handed = await page.evaluateHandle((files) => {
    const transfer = new DataTransfer();
    for (const { name, text } of files) transfer.items.add(new File([text], name));
    return transfer;
  }, files);
  await page.dispatchEvent("main", "dragover", { dataTransfer: handed });
  if (letGo) await page.dispatchEvent("main", "drop", { dataTransfer: handed });
}

test("files are dropped anywhere on the page, whatever their names", async () => {
  daemon = await startDaemon();
  const text = await readFile(job, "utf8");
  const names = ["<script>alert(1)<script>.gcode", "\u202eedocg.gcode", `${"x".repeat(4_000)}.gcode`];
  const page = await open();
  page.on("dialog", (dialog) => faults.push(`dialog: ${dialog.message()}`));
  await drag(page, [{ name: names[0], text }], false);
  await page.locator("#drop-here").waitFor(soon);
  await shoot(page, "drop");
  await page.dispatchEvent("main", "dragleave", {});
  await page.locator("#drop-here").waitFor({ state: "hidden", ...soon });
  assert.equal((await proofs()).length, 0, "nothing was let go");
  await drag(page, [...names.map((name) => ({ name, text })), { name: "no.gcode", text: "\u0000" }], true);
  assert.equal(await page.locator("#drop-here").isVisible(), false);
  const cards = page.locator(".proof");
  await page.waitForFunction(() => document.querySelectorAll(".proof").length === 3, null, soon);
  await page.locator(".upload.failed", { hasText: "no.gcode" }).waitFor(soon);
  for (const card of await cards.all()) assert.ok((await card.boundingBox()).width <= page.viewportSize().width);
  await page.locator("#add").scrollIntoViewIfNeeded();
  await page.locator(".upload.failed").scrollIntoViewIfNeeded();
  await shoot(page, "hostile-names");
  await checkTargets(page);
  for (let left = 3; left > 0; left -= 1) {
    await cards.first().getByRole("button", { name: "Throw it away" }).click();
    await page.waitForFunction((count) => document.querySelectorAll(".proof").length < count, left, soon);
  }
  await page.setInputFiles("#add-file", job);
  await proofOf(page, "plant-marker").locator("img").evaluate((image) => image.decode());
  await proofOf(page, "plant-marker").scrollIntoViewIfNeeded();
  await shoot(page, "proof-picture");
  await proofOf(page, "plant-marker").getByRole("button", { name: "Throw it away" }).click();
  await proofOf(page, "plant-marker").waitFor({ state: "detached", ...soon });
  assert.deepEqual(faults.filter((fault) => !fault.includes("status of 422")), []);
  await context.close();
});

test("without scripts a file is looked at, queued and thrown away", async () => {
  daemon = await startDaemon();
  const opened = await openPage(browser, daemon.address, { javaScriptEnabled: false });
  ({ context, faults } = opened);
  const { page } = opened;
  for (const [button, ends] of [["Throw it away", /#add$/], ["Put it into the queue", /#job-1$/]]) {
    await page.goto(daemon.address);
    await page.setInputFiles("#add-file", job);
    await page.getByRole("button", { name: "Look at it" }).click();
    assert.match(page.url(), /\/\?still#proof-[0-9a-f]{32}$/);
    const card = proofOf(page, "plant-marker");
    await card.waitFor(soon);
    await page.waitForLoadState("networkidle");
    await shoot(page, "proof-without-scripts");
    await checkTargets(page);
    await card.getByLabel("Copies").fill("5");
    await card.getByRole("button", { name: button }).click();
    assert.match(page.url(), ends);
    assert.deepEqual(await proofs(), []);
  }
  assert.deepEqual((await jobs()).map(({ copies }) => copies), [5]);
  assert.deepEqual(faults, []);
});
