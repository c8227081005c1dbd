// The page in a real browser, against a real daemon with a simulated line: every phase looked at, every answer given.
// Screenshots go to `shots/`.

import assert from "node:assert/strict";
import { join } from "node:path";
import { after, afterEach, before, test } from "node:test";

import { startDaemon } from "./daemon.mjs";
import { addFile, checkTargets, job, launch, look, openPage, proofOf, shoot, shots, soon, whole } from "./look.mjs";

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

/** A page that takes note of whatever goes wrong in it. */
async function open(options = {}) {
  const opened = await openPage(browser, daemon.address, options);
  ({ context, faults } = opened);
  return opened.page;
}

/** A page as `options` want it, on the step `topic` of commissioning. */
async function openStep(topic, options = {}) {
  const page = await open(options);
  await page.goto(`${daemon.address}/lines/one/commission/${topic}`);
  return page;
}

/** A test that, when it fails, says what the line was doing and leaves a picture. */
function see(name, body) {
  test(name, async () => {
    try {
      await body();
    } catch (error) {
      await context?.pages()[0]?.screenshot({ path: join(shots, "fault.png"), fullPage: true });
      const line = await daemon?.read("/lines/one").catch((reason) => ({ words: `${reason}` }));
      error.message += `\nThe line: ${line?.state} ${line?.phase}, "${line?.words}"\nThe page: ${faults?.join("; ") || "no faults"}`;
      throw error;
    }
  });
}

const step = (page, word) => page.locator("li[aria-current=step]", { hasText: word });

/** The question is on the first screen, with two large answers that say what they do. */
async function checkQuestion(page) {
  const answers = page.locator(".answer");
  assert.equal(await answers.count(), 2);
  for (const answer of await answers.all()) {
    const box = await answer.boundingBox();
    assert.ok(box.height >= 88 && box.width >= 280, `an answer is ${box.width} × ${box.height} px`);
    assert.ok(box.y >= 0 && box.y + box.height <= page.viewportSize().height, `an answer is at ${box.y} px`);
    assert.ok((await answer.locator("span").textContent()).length > 10, "an answer says what it does");
  }
}

see("a copy is followed through every phase, answered for, held, resumed and stopped", async () => {
  daemon = await startDaemon();
  const page = await open();
  await page.getByText("Connected", { exact: true }).waitFor(soon);
  await page.locator(".tag", { hasText: "Idle" }).waitFor(soon);
  assert.equal(await page.title(), "one · Idle");
  await shoot(page, "idle");
  await checkTargets(page);
  await addFile(page);
  for (const word of ["Warm", "Print", "Cool", "Advance"]) {
    await step(page, word).waitFor(whole);
    await page.evaluate(() => scrollTo(0, 0));
    await shoot(page, `${word.toLowerCase()}`);
    await checkTargets(page);
  }
  await page.locator(".question").waitFor(whole);
  await shoot(page, "check-question");
  await checkQuestion(page);
  await checkTargets(page);
  assert.match(await page.title(), /^You are needed: one · /);

  await page.locator(".answer").first().click();
  await page.locator(".question").waitFor({ state: "detached", ...soon });
  await page.getByText("1 of 2 made").waitFor(soon);
  await step(page, "Warm").waitFor(soon);
  await page.getByRole("button", { name: "Hold now" }).click();
  await page.locator(".tag.act", { hasText: "Held" }).waitFor(soon);
  await page.evaluate(() => scrollTo(0, 0));
  await shoot(page, "held");
  await checkTargets(page);
  assert.equal((await daemon.read("/lines/one")).state, "held");
  await page.getByRole("button", { name: "Resume" }).click();
  await page.locator(".tag", { hasText: "Execute" }).waitFor(soon);

  await step(page, "Print").waitFor(whole);
  const stop = page.getByRole("button", { name: "Stop one at once" });
  assert.equal(await stop.isVisible(), false, "one press alone stops nothing");
  await page.locator("summary", { hasText: "Emergency stop" }).click();
  await shoot(page, "emergency-opened");
  await stop.click();
  await page.locator(".tag.danger", { hasText: "Aborted" }).waitFor(soon);
  await page.evaluate(() => scrollTo(0, 0));
  await shoot(page, "aborted");
  assert.equal((await daemon.read("/lines/one")).temperatures.bed_target_c, 0);
  assert.deepEqual(faults, []);
});

see("a wide screen uses its width", async () => {
  daemon = await startDaemon();
  const page = await open();
  await addFile(page);
  const queue = await page.locator("#queue").boundingBox();
  const line = await page.locator("#line-one").boundingBox();
  if (look.viewport.width > 1000) {
    assert.ok(queue.x >= line.x + line.width, "the queue stands beside the line");
  } else {
    assert.ok(queue.y >= line.y + line.height, "the queue stands below the line");
  }
  assert.deepEqual(faults, []);
});

see("without scripts the same can be done", async () => {
  daemon = await startDaemon({ speed: 120 });
  const page = await open({ javaScriptEnabled: false });
  await page.goto(`${daemon.address}/?still`);
  await page.setInputFiles("#add-file", job);
  await page.getByRole("button", { name: "Look at it" }).click();
  assert.match(page.url(), /\?still#proof-/);
  await proofOf(page, "plant-marker").getByRole("button", { name: "Put it into the queue" }).click();
  assert.match(page.url(), /#job-1$/);
  await page.goto(`${daemon.address}/?still`);
  await step(page, "Warm").waitFor(soon);
  await shoot(page, "without-scripts");
  await page.getByRole("button", { name: "Hold now" }).click();
  assert.match(page.url(), /#line-one$/);
  await page.locator(".tag", { hasText: "Held" }).waitFor(soon);
  await page.getByRole("button", { name: "Resume" }).click();
  await page.locator(".tag", { hasText: "Execute" }).waitFor(soon);
  // The page loads itself anew until the question comes.
  await page.goto(daemon.address);
  await page.locator(".question").waitFor(whole);
  await checkQuestion(page);
  await page.locator(".answer").first().click();
  await page.getByText("1 of 2 made").waitFor(soon);
  await page.locator("summary", { hasText: "Emergency stop" }).click();
  await page.getByRole("button", { name: "Stop one at once" }).click();
  await page.locator(".tag.danger", { hasText: "Aborted" }).waitFor(soon);
  assert.deepEqual(faults, []);
});

see("a lost connection is shown at once and heals by itself, and then a person is asked", async () => {
  daemon = await startDaemon();
  const page = await open();
  await addFile(page);
  await step(page, "Print").waitFor(whole);
  await daemon.kill();
  await page.getByText(/^No connection\./).waitFor({ timeout: 5_000 });
  await shoot(page, "lost");
  await page.getByRole("button", { name: "Hold now" }).click();
  await page.getByText(/^Not sent:/).waitFor(soon);
  await page.getByRole("button", { name: "Close" }).click();
  await daemon.restart();
  await page.getByText("Connected", { exact: true }).waitFor(soon);
  await page.locator(".question").waitFor(soon);
  await page.evaluate(() => scrollTo(0, 0));
  await shoot(page, "restarted-question");
  await checkQuestion(page);
  assert.equal((await daemon.read("/lines/one")).state, "held");
});

see("what is refused is said on the page", async () => {
  daemon = await startDaemon();
  const page = await open();
  await page.setInputFiles("#add-file", { name: "photo.gcode", mimeType: "text/plain", buffer: Buffer.from("\u0000\u0000") });
  await page.locator(".upload.failed", { hasText: "The file was rejected" }).waitFor(soon);
  await shoot(page, "rejected");
  await page.getByRole("button", { name: "Close photo.gcode" }).click();
  assert.equal(await page.locator(".upload").count(), 0);
  // Without scripts the problem is a page of its own, with a way back.
  await context.close();
  const still = await open({ javaScriptEnabled: false });
  await still.setInputFiles("#add-file", { name: "photo.gcode", mimeType: "text/plain", buffer: Buffer.from("\u0000\u0000") });
  await still.getByRole("button", { name: "Look at it" }).click();
  await still.getByText("This was not done.").waitFor(soon);
  await still.getByRole("heading", { name: "The file was rejected" }).waitFor(soon);
  await shoot(still, "rejected-without-scripts");
  await still.getByRole("link", { name: "Back to the lines" }).click();
  await still.locator("#line-one").waitFor(soon);
});

/** The times of the forecast on the page, with what stands behind them. */
const dueTimes = (page) => page.locator("p.due time").evaluateAll((times) =>
  times.map((time) => ({ at: time.dateTime, text: time.textContent })));

see("what is to come is told in the reader's own zone", async () => {
  daemon = await startDaemon();
  for (const timezoneId of ["Asia/Tokyo", "America/Sao_Paulo"]) {
    const page = await open({ timezoneId, locale: "en-GB" });
    if (timezoneId === "Asia/Tokyo") await addFile(page);
    await page.locator("#line-one p.due", { hasText: "This part is done about" }).waitFor(whole);
    await page.locator("#queue p.due", { hasText: /^Done about/ }).waitFor(soon);
    const times = await dueTimes(page);
    assert.ok(times.length >= 4, `${times.length} times`);
    const clock = new Intl.DateTimeFormat("en-GB", { timeZone: timezoneId, hour: "2-digit", minute: "2-digit" });
    for (const { at, text } of times) {
      assert.match(at, /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$/);
      // The day's name comes before it where that is not today.
      assert.match(text, new RegExp(`(^|[ ,])${clock.format(new Date(at))}$`), `${at} in ${timezoneId}`);
    }
    const { jobs } = await daemon.read("/forecast");
    assert.ok(jobs[0].end.early <= jobs[0].end.at && jobs[0].end.at <= jobs[0].end.late);
    await page.evaluate(() => scrollTo(0, 0));
    await shoot(page, `forecast-${timezoneId.split("/")[1]}`);
    assert.deepEqual(faults, []);
    await context.close();
  }
  const page = await open({ timezoneId: "Asia/Tokyo", javaScriptEnabled: false });
  const told = await dueTimes(page);
  assert.ok(told.length > 0 && told.every(({ at, text }) => text.endsWith(`${at.slice(11, 16)} UTC`)), JSON.stringify(told));
  // A person who looks at a page that stays open sees new figures without loading it anew.
  await context.close();
  const living = await open();
  await living.locator("#line-one p.due").waitFor(whole);
  const before = (await dueTimes(living))[0].at;
  await living.waitForFunction((old) => document.querySelector("#line-one p.due time")?.dateTime !== old, before, whole);
});

/** The picture of a part, once it has been painted and read. */
async function checkPicture(picture, name) {
  await picture.scrollIntoViewIfNeeded();
  await picture.waitFor(soon);
  assert.match(await picture.getAttribute("alt"), new RegExp(`${name}.*mm.*mm`), "the words of the picture have its measures");
  await picture.evaluate((image) => image.decode());
  assert.ok(await picture.evaluate((image) => image.naturalWidth) >= 96, "the picture has been loaded");
}

/** Says on the belt's page that the splice is at the nose, and that a stretch of `length` mm before it is no good. */
async function markBelt(page, length) {
  await page.getByRole("button", { name: "Re-zero: the splice is at the nose now" }).click();
  await page.locator("dt:text-is('Splice') + dd", { hasText: "mm before the nose" }).waitFor(soon);
  await page.getByLabel("Near end, mm before the nose").fill("0");
  await page.getByLabel("Length, mm").fill(`${length}`);
  await page.getByLabel("What is wrong").fill("glue");
  await page.getByRole("button", { name: "Mark this flaw" }).click();
  await page.getByText(`Flaw 1, ${length}.0 mm long`).waitFor(soon);
}

see("splice and flaw are marked on the belt's page, and a job without room says how much it needs", async () => {
  for (const options of [{}, { javaScriptEnabled: false }]) {
    const scripts = options.javaScriptEnabled !== false;
    daemon = await startDaemon({ belt: "loop_mm = 400.0" });
    const page = await open(options);
    await page.goto(`${daemon.address}/lines/one/belt`);
    await markBelt(page, 340);
    await page.getByText(/Flaw 1, 340\.0 mm long.*: glue/).waitFor(soon);
    await checkTargets(page);
    await shoot(page, scripts ? "belt-marked" : "belt-without-scripts");
    const { belt } = await daemon.read("/lines/one");
    assert.equal(belt.flaws.length, 1);
    assert.equal(belt.flaws[0].length_mm, 340);
    if (scripts) {
      await page.goto(daemon.address);
      await addFile(page);
      await page.getByText(/needs [\d.]+ mm free, longest free stretch [\d.]+ mm/).first().waitFor(soon);
      await page.locator("#queue").scrollIntoViewIfNeeded();
      await shoot(page, "no-room");
      await checkPicture(page.locator("#job-1 img"), "plant-marker");
      assert.equal((await daemon.read("/lines/one")).work, null, "nothing is begun without room");
      await page.goto(`${daemon.address}/lines/one/belt`);
    }
    if (!scripts) {
      await page.getByRole("button", { name: "Forget the splice" }).click();
      assert.equal((await daemon.read("/lines/one")).belt.splice_before_mm ?? null, null);
    }
    await page.getByRole("button", { name: "Clear flaw 1" }).click();
    await page.locator("#line-one p", { hasText: "Flaw 1, " }).waitFor({ state: "detached", ...soon });
    if (scripts) {
      await page.goto(daemon.address);
      await step(page, "Warm").waitFor(soon);
      await checkPicture(page.locator("#line-one [data-bit=picture] img"), "plant-marker");
      await shoot(page, "picture");
      await page.getByRole("button", { name: "Hold now" }).click();
      await page.locator(".tag.act", { hasText: "Held" }).waitFor(soon);
    }
    assert.deepEqual(faults, []);
    await context.close();
    await daemon.close();
  }
  daemon = undefined;
});

see("a jog moves the belt, and what was measured goes into the config after a second yes", async () => {
  for (const options of [{}, { javaScriptEnabled: false }]) {
    const scripts = options.javaScriptEnabled !== false;
    daemon = await startDaemon({ belt: "units_per_mm = 1.0" });
    const page = await openStep("measure", options);
    const before = (await daemon.read("/lines/one")).belt_odometer_um;
    await page.getByLabel(/^Toward the nose/).fill("60");
    await page.locator("#jog-looked").check();
    await page.getByRole("button", { name: "Jog the belt" }).click();
    const travelled = page.locator("dt:text-is('Travelled') + dd", { hasText: "0.060 m" });
    if (!scripts) {
      for (let tries = 0; tries < 20 && await travelled.count() === 0; tries += 1) await page.reload();
    }
    await travelled.waitFor(soon);
    assert.equal((await daemon.read("/lines/one")).belt_odometer_um - before, 60_000);
    await shoot(page, scripts ? "jogged" : "jogged-without-scripts");

    await page.getByLabel(/^Asked for/).fill("100");
    await page.getByLabel(/^Measured/).fill("80");
    await page.getByRole("button", { name: "Work it out" }).click();
    const change = page.locator("#found dd");
    await change.waitFor(soon);
    assert.match((await change.textContent()).trim(), /^1(\.0)? becomes 1\.25$/);
    assert.match(await daemon.config(), /units_per_mm = 1\.0/, "nothing is written by looking");
    await checkTargets(page);
    await page.locator("#found").scrollIntoViewIfNeeded();
    await shoot(page, scripts ? "measured" : "measured-without-scripts");
    // The browser itself keeps the form back until the second yes is there.
    await page.getByRole("button", { name: "Write it into the config" }).click();
    assert.match(await daemon.config(), /units_per_mm = 1\.0/, "one press writes nothing over a person's value");
    await page.getByLabel("Replace the value that somebody wrote").check();
    await page.getByRole("button", { name: "Write it into the config" }).click();
    await page.getByText(/^Written into the config/).waitFor(soon);
    assert.match(await daemon.config(), /units_per_mm = 1\.25/);
    await shoot(page, scripts ? "written" : "written-without-scripts");
    assert.deepEqual(faults.filter((fault) => !fault.includes("status of 4")), []);
    await context.close();
    await daemon.close();
  }
  daemon = undefined;
});

see("every step of commissioning fits the screen", async () => {
  daemon = await startDaemon();
  const page = await open();
  await page.goto(`${daemon.address}/lines/one/commission`);
  await shoot(page, "commission");
  await checkTargets(page);
  await page.locator(".guide a").first().click();
  const seen = [];
  for (;;) {
    await page.getByRole("heading", { name: "What to look at" }).waitFor(soon);
    await page.getByText("What can hurt you").waitFor(soon);
    const topic = new URL(page.url()).pathname.split("/").pop();
    seen.push(topic);
    await shoot(page, `commission-${topic}`);
    await checkTargets(page);
    const next = page.getByRole("link", { name: "Next step" });
    if (await next.count() === 0) break;
    await Promise.all([page.waitForURL((url) => !url.pathname.endsWith(`/${topic}`), soon), next.click()]);
  }
  assert.deepEqual(seen, ["ratio", "direction", "measure", "nose", "loop", "splice", "heat"]);
  assert.deepEqual(faults, []);
});

see("an alarm says what is wrong and what to do until a person knows", async () => {
  daemon = await startDaemon({ belt: "\n[line.heat]\nwarm_limit_s = 5.0" });
  const page = await open();
  await addFile(page);
  const alarm = page.locator(".alarm", { hasText: "Phase overdue" });
  await alarm.waitFor(soon);
  await page.locator(".tag", { hasText: "Held" }).waitFor(soon);
  assert.match(await alarm.textContent(), /past its deadline/);
  await alarm.locator("summary").click();
  await alarm.getByText(/^Likely cause:/).waitFor(soon);
  await alarm.scrollIntoViewIfNeeded();
  await checkTargets(page);
  await shoot(page, "alarm");
  await alarm.getByRole("button", { name: "I know: Phase overdue" }).click();
  await alarm.getByText("goes on, acknowledged").waitFor(soon);
  assert.equal(await alarm.getByRole("button").count(), 0);
  assert.deepEqual((await daemon.read("/lines/one")).alarms.map(({ kind, state }) => [kind, state]), [["phase-overdue", "acknowledged"]]);
  await page.getByText("Stop …", { exact: true }).click();
  await page.getByRole("button", { name: "Stop one" }).click();
  await alarm.waitFor({ ...soon, state: "detached" });
  assert.deepEqual(faults, []);
});
