// The queue is put in order by dragging: a job is taken by its grip and let go where it is to stand. The arrows do the same.

import { refreshAll, say } from "./live.js";

let carried = null; // { row, list, startY, pointer }

const rowsOf = (list) => [...list.querySelectorAll(":scope > [data-job]")];

addEventListener("pointerdown", (event) => {
  const grip = event.target.closest?.("[data-grip]");
  const row = grip?.closest("[data-order] > [data-job]");
  if (!row || event.button !== 0) return;
  event.preventDefault();
  grip.setPointerCapture(event.pointerId);
  row.classList.add("carried");
  carried = { row, list: row.parentElement, startY: event.pageY, pointer: event.pointerId };
});

addEventListener("pointermove", (event) => {
  if (carried?.pointer !== event.pointerId) return;
  carried.row.style.transform = `translateY(${event.pageY - carried.startY}px)`;
  const edge = 60;
  if (event.clientY < edge) scrollBy(0, -12);
  if (event.clientY > innerHeight - edge) scrollBy(0, 12);
});

/** The job before which the carried one was let go; `null` at the end. */
function nextOf({ row, list }) {
  const middle = (element) => { const box = element.getBoundingClientRect(); return box.top + box.height / 2; };
  const here = middle(row);
  return rowsOf(list).find((other) => other !== row && middle(other) > here) ?? null;
}

async function letGo(event) {
  if (carried?.pointer !== event.pointerId) return;
  const { row } = carried;
  const next = nextOf(carried);
  const moved = event.type === "pointerup" && Math.abs(event.pageY - carried.startY) > 10;
  carried = null;
  row.classList.remove("carried");
  row.style.transform = "";
  // Without its list nobody knows where it was let go: it stays where it was.
  if (!moved || !row.isConnected || next === row.nextElementSibling) return;
  // Where it was let go, until the server says so too.
  if (next) next.before(row); else row.parentElement.append(row);
  const body = new URLSearchParams({ before: next?.dataset.job ?? "" });
  try {
    const answer = await fetch(`/do/jobs/${row.dataset.job}/move-before`, { method: "POST", body, redirect: "manual" });
    if (answer.type !== "opaqueredirect") say((await answer.json()).detail);
  } catch {
    say("Not moved: there is no connection.");
  }
  refreshAll();
}

for (const kind of ["pointerup", "pointercancel"]) addEventListener(kind, letGo);
