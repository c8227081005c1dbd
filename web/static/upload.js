// Files come in: chosen or dropped, sent with their progress, read, and shown as proofs. Without it the page still works: the
// picker's form and the buttons of the proofs are forms.

const AT_ONCE = 2; // uploads under way; the others wait for their turn
const NAME_MAX = 100; // characters
const TOLD_EVERY_MS = 5_000; // how often progress is told to those who listen rather than look

const picker = document.getElementById("add-file");
const list = document.getElementById("uploads");
const told = document.getElementById("upload-said");
const proofs = document.getElementById("proofs");
const dropHere = document.getElementById("drop-here");
const longest = Number(document.getElementById("add-form").dataset.max);

/** Tells it to those who listen, and shows it below the uploads. */
const tell = (...words) => told.replaceChildren(...words);

/** Has the page fetch a part anew. */
const stale = (id) => document.getElementById(id)?.dispatchEvent(new Event("stale", { bubbles: true }));

function element(tag, properties = {}, ...children) {
  const made = Object.assign(document.createElement(tag), properties);
  made.append(...children);
  return made;
}

/** A name that somebody gave: it keeps to itself, and no longer than can be read. */
const name = (text) => element("bdi", { textContent: shorten(text) });
const shorten = (text) => (text.length > NAME_MAX ? `${text.slice(0, NAME_MAX - 1)}…` : text);
const megabytes = (bytes) => (bytes / 1e6).toFixed(bytes < 1e6 ? 2 : 1);

/* Uploads */

const waiting = [];
const under = new Set();

function add(files) {
  const chosen = [...files];
  if (chosen.length === 0) return;
  tell();
  for (const file of chosen) begin(file);
}

/** A row for a file; it is sent when its turn comes. */
function begin(file, row = list.appendChild(element("li", { className: "upload" }))) {
  const upload = { file, row, request: null };
  const cancel = element("button", { type: "button" }, "Cancel", unseen(file));
  cancel.addEventListener("click", () => giveUp(upload));
  upload.bar = element("progress", { max: 1, value: 0, ariaLabel: `Sending ${shorten(file.name)}` });
  upload.words = element("p", { className: "aside" }, "Waits for its turn");
  row.classList.remove("failed");
  row.replaceChildren(element("h3", {}, name(file.name)), upload.bar, upload.words, cancel);
  if (file.size > longest) {
    fail(upload, `It has ${megabytes(file.size)} MB; the most that is taken is ${megabytes(longest)} MB. Slice it smaller.`);
    return;
  }
  waiting.push(upload);
  next();
}

const unseen = (file) => element("span", { className: "unseen" }, " ", name(file.name));

function next() {
  while (under.size < AT_ONCE && waiting.length > 0) send(waiting.shift());
}

function send(upload) {
  const { file, bar, words } = upload;
  const request = new XMLHttpRequest();
  let toldAt = performance.now();
  upload.request = request;
  under.add(upload);
  words.textContent = `0 of ${megabytes(file.size)} MB`;
  request.upload.addEventListener("progress", ({ loaded }) => {
    // An empty file has no share.
    bar.value = file.size > 0 ? loaded / file.size : 1;
    words.textContent = `${megabytes(loaded)} of ${megabytes(file.size)} MB`;
    if (performance.now() - toldAt < TOLD_EVERY_MS) return;
    toldAt = performance.now();
    tell(name(file.name), `: ${Math.floor(bar.value * 100)} % sent`);
  });
  request.upload.addEventListener("load", () => {
    bar.removeAttribute("value");
    bar.ariaLabel = `Reading ${shorten(file.name)}`;
    words.textContent = "Reading the file …";
  });
  request.addEventListener("load", () => end(upload));
  request.addEventListener("error", () => {
    end(upload, "It broke off: there is no connection, or the file was changed meanwhile. Nothing of it was kept.");
  });
  request.open("POST", `/api/v1/proofs?name=${encodeURIComponent(file.name)}`);
  request.responseType = "json";
  request.setRequestHeader("Content-Type", "application/octet-stream");
  request.send(file);
}

function end(upload, broke = null) {
  const { file, row, request } = upload;
  under.delete(upload);
  next();
  const answer = request.response;
  if (broke === null && request.status === 201) {
    row.remove();
    tell(name(file.name), " is read. Look at it below, then put it into the queue.");
    show(answer.id);
  } else {
    fail(upload, broke ?? `${answer?.title ?? "It was not taken"}: ${answer?.detail ?? request.statusText}`, answer?.findings);
  }
}

/** Says why there is no proof, and offers to try again. */
function fail(upload, why, findings = []) {
  const { file, row } = upload;
  const again = element("button", { type: "button" }, "Try again", unseen(file));
  const close = element("button", { type: "button" }, "Close", unseen(file));
  again.addEventListener("click", () => begin(file, row));
  close.addEventListener("click", () => { row.remove(); picker.focus(); });
  const lines = findings.map(({ line, text }) =>
    element("li", {}, line > 0 ? `line ${line}: ` : "", element("bdi", { textContent: text })));
  const reason = element("p", {}, element("bdi", { textContent: why }));
  reason.setAttribute("role", "alert");
  row.classList.add("failed");
  row.replaceChildren(element("h3", {}, name(file.name)), reason,
    ...lines.length > 1 ? [element("ul", { className: "concerns" }, ...lines)] : [],
    // What the survey refuses it refuses again.
    element("p", { className: "commands" }, ...findings.length > 0 ? [close] : [again, close]));
}

function giveUp(upload) {
  const { file, row, request } = upload;
  const at = waiting.indexOf(upload);
  if (at >= 0) waiting.splice(at, 1);
  request?.abort();
  under.delete(upload);
  row.remove();
  tell(name(file.name), " was not sent to its end; nothing of it was kept.");
  picker.focus();
  next();
  // It may have been read just then.
  stale("proofs");
}

/** Brings a new proof to the eye as soon as it is on the page. */
function show(id) {
  stale("proofs");
  const seen = new MutationObserver(() => {
    const card = document.getElementById(`proof-${id}`);
    if (!card) return;
    seen.disconnect();
    // Whoever is filling in another card is not torn away.
    if (!document.activeElement?.matches("input:not([type=file]), select")) card.scrollIntoView({ block: "start" });
  });
  seen.observe(proofs, { childList: true, subtree: true });
}

picker.multiple = true;
picker.required = false;
picker.labels[0].textContent = "Sliced files";
document.getElementById("add-send").hidden = true;
document.getElementById("add-drop").hidden = false;
picker.addEventListener("change", () => {
  add(picker.files);
  // The same file may be chosen again.
  picker.value = "";
});
addEventListener("beforeunload", (event) => { if (under.size + waiting.length > 0) event.preventDefault(); });

/* Dropping, anywhere on the page */

const bringsFiles = (event) => event.dataTransfer?.types.includes("Files");

addEventListener("dragover", (event) => {
  if (!bringsFiles(event)) return;
  event.preventDefault();
  event.dataTransfer.dropEffect = "copy";
  dropHere.hidden = false;
});
addEventListener("dragleave", (event) => { if (event.relatedTarget === null) dropHere.hidden = true; });
addEventListener("drop", (event) => {
  dropHere.hidden = true;
  if (!bringsFiles(event)) return;
  event.preventDefault();
  add(event.dataTransfer.files);
  list.scrollIntoView({ block: "center" });
});

/* What is done with a proof */

proofs.addEventListener("submit", async (event) => {
  event.preventDefault();
  const card = event.target;
  const { proof } = card.dataset;
  const discards = card.dataset.discard !== undefined;
  const title = document.getElementById(`proof-name-${proof}`).textContent;
  const refused = document.getElementById(`proof-${proof}`).querySelector(".refused");
  event.submitter.disabled = true;
  refused.textContent = "";
  try {
    const address = `/api/v1/proofs/${proof}`;
    const answer = discards
      ? await fetch(address, { method: "DELETE" })
      : await fetch(`${address}/queue`, {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(wishes(new FormData(card))),
      });
    const said = answer.status === 204 ? null : await answer.json();
    if (!answer.ok) {
      refused.textContent = `${said.title}: ${said.detail}`;
      return;
    }
    tell(name(title), discards ? " was thrown away." : ` is in the queue as job ${said.id}.`);
    document.getElementById("add-title").focus({ preventScroll: true });
    for (const id of ["proofs", "queue"]) stale(id);
  } catch {
    refused.textContent = "Not sent: there is no connection. Try again.";
  } finally {
    event.submitter.disabled = false;
  }
});

function wishes(fields) {
  const number = (field) => (fields.get(field) === "" ? null : Number(fields.get(field)));
  return {
    copies: number("copies"),
    release_c: number("release_c"),
    material: fields.get("material"),
    line: fields.get("line"),
    hold: fields.has("hold"),
    reviewed: fields.has("reviewed"),
  };
}
