"use strict";
// Leafing through stacks of pictures and switching lines; nothing is fetched, nothing is stored.
for (const stack of document.querySelectorAll(".stack")) {
  const frames = [...stack.querySelectorAll(".frame")];
  const slider = stack.querySelector("input[type=range]");
  const place = stack.querySelector("output");
  const round = stack.dataset.round === "yes";
  const show = (wanted) => {
    const count = frames.length;
    const at = round ? ((wanted % count) + count) % count : Math.min(Math.max(wanted, 0), count - 1);
    frames.forEach((frame, n) => { frame.hidden = n !== at; });
    slider.value = String(at);
    slider.setAttribute("aria-valuetext", frames[at].dataset.place);
    place.textContent = frames[at].dataset.place;
  };
  slider.disabled = false;
  slider.addEventListener("input", () => show(Number(slider.value)));
  const view = stack.querySelector(".view");
  view.addEventListener("wheel", (event) => {
    event.preventDefault();
    show(Number(slider.value) + (event.deltaY > 0 ? 1 : -1));
  }, { passive: false });
  let from = null;
  view.addEventListener("pointerdown", (event) => {
    from = { x: event.clientX, at: Number(slider.value) };
    view.setPointerCapture(event.pointerId);
    event.preventDefault();
  });
  view.addEventListener("pointermove", (event) => {
    if (from) show(from.at + Math.round((event.clientX - from.x) / 12));
  });
  for (const end of ["pointerup", "pointercancel"]) view.addEventListener(end, () => { from = null; });
  show(Number(slider.value));
}
for (const box of document.querySelectorAll("input[data-layer]")) {
  box.disabled = false;
  const apply = () => document.body.classList.toggle("no-" + box.dataset.layer, !box.checked);
  box.addEventListener("change", apply);
  apply();
}
