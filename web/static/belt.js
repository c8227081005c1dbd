// A thumb drawn along the strip of the bed marks a stretch: it is shown over the strip and put into the fields below, from where
// it is sent like one that was typed.

for (const thumb of document.querySelectorAll("[data-thumb]")) {
  const form = document.getElementById(thumb.dataset.thumb);
  const chosen = document.createElement("div");
  chosen.className = "chosen";
  chosen.hidden = true;
  thumb.append(chosen);
  let from = null;

  /** The place under the pointer, mm before the nose. */
  const placeOf = (event) => {
    const strip = thumb.querySelector(".strip");
    const box = strip.getBoundingClientRect();
    const share = Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
    return Number(strip.dataset.fromMm) + share * (Number(strip.dataset.toMm) - Number(strip.dataset.fromMm));
  };

  const show = (near, far) => {
    const { fromMm, toMm } = thumb.querySelector(".strip").dataset;
    const percent = (mm) => ((Number(fromMm) - mm) / (Number(fromMm) - Number(toMm))) * 100;
    chosen.hidden = false;
    chosen.style.left = `${percent(far)}%`;
    chosen.style.width = `${percent(near) - percent(far)}%`;
  };

  const mark = (to) => {
    const near = Math.round(Math.min(from, to));
    const far = Math.max(Math.round(Math.max(from, to)), near + 1);
    form.elements.before_mm.value = near;
    form.elements.length_mm.value = far - near;
    show(near, far);
  };

  thumb.addEventListener("pointerdown", (event) => {
    if (!event.target.closest(".strip")) return;
    thumb.setPointerCapture(event.pointerId);
    from = placeOf(event);
    mark(from);
  });
  thumb.addEventListener("pointermove", (event) => { if (from !== null) mark(placeOf(event)); });
  for (const kind of ["pointerup", "pointercancel"]) thumb.addEventListener(kind, () => { from = null; });
  form.addEventListener("input", () => {
    const near = Number(form.elements.before_mm.value.replace(",", "."));
    const length = Number(form.elements.length_mm.value.replace(",", "."));
    if (Number.isFinite(near) && length > 0) show(near, near + length);
  });
}
