// Starts the viewer in a change report: the page stands without it, and is told when it could not be shown.

import { controlsOf, partsOf } from "./controls.js";
import { legendOf } from "./legend.js";
import { readPayload, unpackText } from "./payload.js";
import { sectionPanelOf } from "./section_panel.js";
import { canView, createViewer } from "./viewer.js";

async function start() {
  const place = document.getElementById("view");
  const packed = document.getElementById("view-data");
  if (!place || !packed) return;
  const part = (name) => place.querySelector(`[data-part=${name}]`);
  const note = part("note");
  if (!canView()) {
    note.textContent = "This browser cannot show the view in three dimensions; everything is in the pictures below.";
    return;
  }
  const payload = readPayload(await unpackText(packed.textContent));
  document.body.classList.add("live");
  const viewer = createViewer(part("picture"), payload, {
    side: "anterior",
    wheel: "with-ctrl",
    touch: "pan-y",
    label: part("picture").dataset.label,
  });
  controlsOf(viewer, part("controls"));
  partsOf(viewer, part("parts") ?? part("controls"));
  part("scale").append(legendOf(payload.head.scale));
  sectionPanelOf(viewer, part("section"));
  const said = part("said");
  viewer.on("level", ({ level_mm: level }) => {
    said.textContent = `section at level ${level} mm`;
  });
  place.viewer = viewer; // for whoever wants to ask it from the console
}

start();
