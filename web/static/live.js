// Keeps the page alive: listens to what happens and fetches anew the parts that changed. Without it the page still works:
// every button is a form.

const SILENCE_MAX_MS = 40_000; // the daemon says at least every 15 s that it is there
const PAUSE_MS = 400; // between two fetches of the same part
const RETRY_MS = 3_000;
const FETCH_MAX_MS = 10_000;

const contact = document.getElementById("contact");
const said = document.getElementById("said");

/* Times in the reader's own zone */

const timeOfDay = new Intl.DateTimeFormat(undefined, { hour: "2-digit", minute: "2-digit", second: "2-digit" });
const minuteOfDay = new Intl.DateTimeFormat(undefined, { hour: "2-digit", minute: "2-digit" });
const minuteOfWeek = new Intl.DateTimeFormat(undefined, { weekday: "short", hour: "2-digit", minute: "2-digit" });
const WEEK_MS = 6 * 86_400_000; // beyond it, the name of a day may mean two of them
const dayAndTime = new Intl.DateTimeFormat(undefined, {
  weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit",
});

const zone = Intl.DateTimeFormat().resolvedOptions().timeZone;

function formatOf(element, at) {
  const now = new Date();
  const today = at.toDateString() === now.toDateString();
  if (element.dataset.show !== "minute") return today ? timeOfDay : dayAndTime;
  if (today) return minuteOfDay;
  return Math.abs(at - now) < WEEK_MS ? minuteOfWeek : dayAndTime;
}

function localise(root) {
  for (const element of root.querySelectorAll("time[datetime]")) {
    const at = new Date(element.dateTime);
    element.textContent = formatOf(element, at).format(at);
    element.title = at.toString();
  }
  // The days of the log are the reader's own.
  for (const link of root.querySelectorAll('a[href^="/log"]')) {
    const address = new URL(link.href);
    if (!address.searchParams.has("zone")) address.searchParams.set("zone", zone);
    link.href = address;
  }
}

/* Parts: an element with `data-part` shows what that address answers. Bits inside it are replaced only where they differ, so
   that an open question, a half-opened emergency stop or the focus stays. */

const shown = new WeakMap(); // bit → the markup that it shows, as it came
const waiting = new Map(); // address → { again }
let pressed = false;

function bitsOf(part) {
  const bits = part.querySelectorAll("[data-bit]");
  return bits.length > 0 ? [...bits] : [part];
}

function remember(part) {
  for (const bit of bitsOf(part)) shown.set(bit, bit.innerHTML);
}

/** A form that is being filled in stays as it is; what is sent from it is judged by the version that it was made of. */
const isFilledIn = (bit) => bit.dataset.keep !== undefined && (bit.contains(document.activeElement) || touched.has(bit));
/** So does a list while something is carried over it. */
const isKept = (bit) => isFilledIn(bit) || bit.querySelector(".carried") !== null;
const touched = new WeakSet();
addEventListener("input", (event) => {
  const bit = event.target.closest("[data-keep]");
  if (bit) touched.add(bit);
});

function replaceBit(bit, html) {
  if (shown.get(bit) === html || isKept(bit)) return;
  const open = [...bit.querySelectorAll("details[open][id]")].map((details) => details.id);
  const focus = bit.contains(document.activeElement) ? addressOf(document.activeElement) : null;
  const entered = [...bit.querySelectorAll("input[id], select[id]")].filter(isEntered);
  const pictures = new Map([...bit.querySelectorAll("img")].map((picture) => [picture.src, picture]));
  bit.innerHTML = html;
  shown.set(bit, html);
  // A picture that is there already stays, rather than to be loaded and blink.
  for (const picture of bit.querySelectorAll("img")) {
    const old = pictures.get(picture.src);
    if (!old) continue;
    pictures.delete(picture.src);
    old.alt = picture.alt;
    picture.replaceWith(old);
  }
  for (const id of open) document.getElementById(id)?.setAttribute("open", "");
  // What a person is filling in stays as it is, with the caret in it.
  for (const field of entered) document.getElementById(field.id)?.replaceWith(field);
  if (focus) [...bit.querySelectorAll("button, summary, a, input, select")].find((other) => addressOf(other) === focus)?.focus();
  localise(bit);
}

/** Whether a person has changed a field, or is in it. */
function isEntered(field) {
  if (field === document.activeElement) return true;
  if (field.matches("select")) {
    const usual = [...field.options].findIndex((option) => option.defaultSelected);
    return field.selectedIndex !== Math.max(usual, 0);
  }
  return field.value !== field.defaultValue || field.checked !== field.defaultChecked;
}

/** What a control is for: enough to find it again in new markup. */
function addressOf(control) {
  if (control.matches("input, select")) return control.id;
  return `${control.tagName} ${control.closest("form")?.action ?? control.closest("details")?.id ?? control.href} ${control.value ?? ""}`;
}

function replacePart(part, text) {
  const fresh = document.createElement("template");
  fresh.innerHTML = text;
  const bits = fresh.content.querySelectorAll("[data-bit]");
  if (bits.length === 0) replaceBit(part, fresh.innerHTML);
  for (const bit of bits) {
    const old = part.querySelector(`[data-bit="${bit.dataset.bit}"]`);
    if (old) replaceBit(old, bit.innerHTML);
  }
  if (part.dataset.line === undefined) return;
  const root = fresh.content.firstElementChild;
  const askedBefore = part.dataset.asks === "true";
  part.className = root.className;
  Object.assign(part.dataset, root.dataset);
  if (root.dataset.asks === "true" && !askedBefore) {
    part.parentElement.prepend(part);
    // Whoever is typing is told by the title, not torn away.
    if (!document.activeElement?.matches("input, select")) part.scrollIntoView({ block: "start" });
  }
  markTitle();
}

/** As the server writes it: the worst of the lines. */
function markTitle() {
  const lines = [...document.querySelectorAll("[data-line]")];
  if (lines.length === 0) return;
  const worst = ["danger", "act", "abnormal"].map((tone) => lines.find((line) => line.classList.contains(tone))).find(Boolean);
  const line = worst ?? (lines.length === 1 ? lines[0] : null);
  if (!line) {
    document.title = `Nosebar · ${lines.length} lines`;
    return;
  }
  const { word, line: name, state } = line.dataset;
  document.title = `${word === "" ? "" : `${word}: `}${name} · ${state}`;
}

/** Fetches a part anew; calls that come meanwhile are answered by one more fetch afterwards. */
async function refresh(part) {
  // Not every page shows every part.
  if (part === null) return;
  // Nobody sees it; what needs a person shows in the title all the same.
  if (document.hidden && part.dataset.line === undefined) return;
  const address = part.dataset.part;
  const under = waiting.get(address);
  if (under) {
    under.again = true;
    return;
  }
  const mine = { again: false };
  waiting.set(address, mine);
  let rest = PAUSE_MS;
  try {
    const answer = await fetch(address, { cache: "no-store", signal: AbortSignal.timeout(FETCH_MAX_MS) });
    // The line is gone from the config, or this device's key was revoked.
    if (answer.status === 404 || answer.status === 401) location.reload();
    if (!answer.ok) throw new Error(`${address} answers ${answer.status}`);
    const text = await answer.text();
    // Nothing may move under a thumb; but a release that was not seen must not stop the page.
    for (let waits = 0; pressed && waits < 40; waits += 1) await pause(50);
    replacePart(part, text);
  } catch {
    lose();
    mine.again = true;
    rest = RETRY_MS;
  }
  await pause(rest);
  waiting.delete(address);
  if (mine.again) refresh(part);
}

addEventListener("stale", (event) => refresh(event.target));

const pause = (ms) => new Promise((done) => setTimeout(done, ms));

export function refreshAll() {
  for (const part of document.querySelectorAll("[data-part]")) refresh(part);
}

/** Fetches what shows this kind of thing: an element says with `data-on` what it follows. */
function follow(...kinds) {
  for (const kind of kinds) {
    for (const part of document.querySelectorAll(`[data-part][data-on~="${CSS.escape(kind)}"]`)) refresh(part);
  }
}

for (const kind of ["pointerdown", "pointerup", "pointercancel"]) {
  addEventListener(kind, () => { pressed = kind === "pointerdown"; }, { passive: true });
}

/* Events */

let source = null;
let heardAt = 0;
let lostAt = null;

function hear() {
  heardAt = performance.now();
  if (lostAt === null && contact.textContent !== "") return;
  lostAt = null;
  document.documentElement.classList.remove("lost");
  contact.textContent = "Connected";
}

function lose() {
  if (lostAt !== null) return;
  lostAt = new Date();
  document.documentElement.classList.add("lost");
  contact.textContent = `No connection. This is how it was at ${timeOfDay.format(lostAt)}.`;
}

function listen() {
  source?.close();
  source = new EventSource("/api/v1/events");
  heardAt = performance.now();
  source.addEventListener("open", () => { hear(); refreshAll(); });
  source.addEventListener("error", () => {
    lose();
    if (source.readyState !== EventSource.CLOSED) return;
    // Refused: the parts learn why.
    refreshAll();
    setTimeout(listen, RETRY_MS);
  });
  source.addEventListener("beat", hear);
  const heard = (kind, names) => source.addEventListener(kind, (event) => {
    hear();
    follow(...names(event));
  });
  heard("line", (event) => [`line:${JSON.parse(event.data).name}`]);
  heard("job", (event) => ["job", `job:${JSON.parse(event.data).id}`]);
  heard("forecast", () => ["forecast"]);
  heard("journal", () => ["journal"]);
}

setInterval(() => {
  if (performance.now() - heardAt > SILENCE_MAX_MS) {
    lose();
    listen();
  }
}, 5_000);
addEventListener("offline", lose);
addEventListener("online", listen);
document.addEventListener("visibilitychange", () => { if (!document.hidden) refreshAll(); });

/* Buttons: sent without leaving the page; what is refused is said at once. */

addEventListener("submit", async (event) => {
  const form = event.target;
  if (form.dataset.plain !== undefined) return;
  event.preventDefault();
  const button = event.submitter;
  const body = new URLSearchParams(new FormData(form));
  if (button?.name) body.set(button.name, button.value);
  if (button) button.disabled = true;
  say("");
  try {
    const answer = await fetch(form.action, { method: "POST", body, redirect: "manual" });
    if (answer.type !== "opaqueredirect" && !answer.ok) {
      const problem = await answer.json();
      say(`${problem.title}: ${problem.detail}`);
    }
    const details = button?.closest("details");
    if (details) details.open = false;
    const bit = form.closest("[data-keep]");
    if (bit && answer.type === "opaqueredirect") touched.delete(bit);
    if (form.dataset.undo && answer.type === "opaqueredirect") say(form.dataset.said, form.dataset.undo);
  } catch {
    say("Not sent: there is no connection. Try again, or use the switch on the machine.");
    lose();
  } finally {
    if (button) button.disabled = false;
    refreshAll();
  }
});

/** Says something above the page; with the address of an undo, there is a button for it. */
export function say(text, undo) {
  said.textContent = text;
  // What was done is no fault.
  said.classList.toggle("done", undo !== undefined);
  if (text === "") return;
  const button = (label, type) => {
    const made = document.createElement("button");
    made.type = type;
    made.textContent = label;
    return made;
  };
  if (undo) {
    const form = document.createElement("form");
    form.method = "post";
    form.action = undo;
    form.append(button("Undo", "submit"));
    said.append(form);
  }
  const close = button("Close", "button");
  close.addEventListener("click", () => say(""));
  said.append(close);
}

// Other scripts of the page speak here too.
addEventListener("nosebar-say", (event) => say(event.detail));

/* The reader's time zone goes along where days are asked for. */

for (const field of document.querySelectorAll("[data-zone]")) field.value ||= zone;
document.documentElement.classList.add("alive");

for (const part of document.querySelectorAll("[data-part]")) remember(part);
localise(document);
markTitle();
listen();
