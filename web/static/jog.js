// Buttons that run the belt while they are held: `<button type="button" data-jog-line="one" data-jog-toward="nose">`, in a form
// with the fields `feed_mm_min`, `looked` and `although_warm`. Whatever ends the holding ends the run: a finger lifted or taken
// over by a gesture, a key let go, another window, a page that is left. And where none of that can be told any more, the daemon
// stops the belt by itself, since it hears nothing.

const RENEW_MS = 300; // the daemon counts a press as over a second after the last word of it
const ANSWER_MAX_MS = 900;
const UNDER_WAY_MAX = 2; // more words without an answer would only queue up

let held = null; // { button, by, address, asked, timer, under, answered }

/** A number that no press had before. */
function freshNumber() {
  const [high, low] = crypto.getRandomValues(new Uint32Array(2));
  return (high & 0x1fffff) * 2 ** 32 + low;
}

function begin(button, by) {
  const form = button.closest("form");
  if (held || !form.reportValidity()) return;
  say("");
  const fields = new FormData(form);
  held = {
    button,
    by,
    address: `/api/v1/lines/${encodeURIComponent(button.dataset.jogLine)}`,
    asked: {
      toward: button.dataset.jogToward,
      feed_mm_min: Math.round(Number(fields.get("feed_mm_min"))),
      looked: fields.has("looked"),
      although_warm: fields.has("although_warm"),
      press: freshNumber(),
    },
    under: 0,
  };
  button.setAttribute("aria-pressed", "true");
  held.timer = setInterval(renew, RENEW_MS, held);
  renew(held);
}

/** Says that the button is held. The first no, or silence, ends the press: it is not begun anew behind anybody's back. */
async function renew(press) {
  if (press.under >= UNDER_WAY_MAX) return;
  press.under += 1;
  try {
    const answer = await post(`${press.address}/jog-while`, press.asked, { signal: AbortSignal.timeout(ANSWER_MAX_MS) });
    if (!answer.ok) end(press, await sentenceOf(answer));
  } catch {
    end(press, "No connection: the belt stops by itself. Let go, and look at the machine.");
  } finally {
    press.under -= 1;
  }
}

function end(press, why = "") {
  if (press === null || held !== press) return;
  held = null;
  clearInterval(press.timer);
  press.button.setAttribute("aria-pressed", "false");
  // It leaves even if the page is being left; and if it gets lost, the press ends all the same.
  post(`${press.address}/let-go`, { press: press.asked.press }, { keepalive: true }).catch(() => {});
  if (why !== "") say(why);
}

function post(address, body, more) {
  const headers = { "content-type": "application/json" };
  return fetch(address, { method: "POST", headers, body: JSON.stringify(body), ...more });
}

async function sentenceOf(answer) {
  const problem = await answer.json().catch(() => ({}));
  return `${problem.title ?? "It was refused"}: ${problem.detail ?? `the answer was ${answer.status}`}`;
}

/** Said where everything is said. */
function say(text) {
  dispatchEvent(new CustomEvent("nosebar-say", { detail: text }));
}

const buttonOf = (event) => (event.target instanceof Element ? event.target.closest("button[data-jog-line]") : null);

document.addEventListener("pointerdown", (event) => {
  const button = buttonOf(event);
  if (!button || !event.isPrimary || event.button !== 0) return;
  // Whatever becomes of the finger is told to this button, wherever it slips to.
  button.setPointerCapture(event.pointerId);
  begin(button, event.pointerId);
});
for (const kind of ["pointerup", "pointercancel", "lostpointercapture"]) {
  addEventListener(kind, (event) => { if (held?.by === event.pointerId) end(held); }, true);
}

document.addEventListener("keydown", (event) => {
  const button = buttonOf(event);
  if (!button || (event.key !== " " && event.key !== "Enter")) return;
  event.preventDefault();
  if (!event.repeat) begin(button, event.key);
});
addEventListener("keyup", (event) => { if (held?.by === event.key) end(held); }, true);

// A long press is no wish for a menu.
document.addEventListener("contextmenu", (event) => { if (buttonOf(event)) event.preventDefault(); });
document.addEventListener("focusout", (event) => { if (held && buttonOf(event) === held.button) end(held); });
addEventListener("blur", () => end(held));
addEventListener("pagehide", () => end(held));
document.addEventListener("visibilitychange", () => { if (document.hidden) end(held); });

// Its form has nothing to send.
addEventListener("submit", (event) => {
  if (event.target.dataset.hold === undefined) return;
  event.preventDefault();
  event.stopImmediatePropagation();
}, true);
