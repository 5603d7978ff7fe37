// The buttons about a viewer: from which side, what is compared, what is drawn. Plain buttons with pressed states, so
// that they work by keyboard and say what they are.

const SIDES = [
  ["anterior", "Front"],
  ["lateral", "Outside"],
  ["posterior", "Back"],
  ["medial", "Inside"],
  ["end", "End"],
];
const MODES = ["change", "both", "captured"];
const PARTS = [
  ["outlines", "outlines"],
  ["names", "names"],
  ["landmarks", "landmarks"],
  ["contours", "contours"],
];

/** Rows of controls for a viewer, put into an element. */
export function controlsOf(viewer, container) {
  const modes = group(container, "Shown");
  const { words } = viewer.payload.head;
  const buttons = MODES.map((mode) => {
    const made = button(modes, words[mode], words[`${mode}_means`], () => {
      viewer.setMode(mode);
      buttons.forEach((other) => other.setAttribute("aria-pressed", String(other === made)));
    });
    made.setAttribute("aria-pressed", String(viewer.mode === mode));
    return made;
  });
  const sides = group(container, "From");
  for (const [side, word] of SIDES) button(sides, word, `from the ${side} side`, () => viewer.look(side));
  const near = group(container, "Size");
  button(near, "\u2212", "smaller", () => viewer.zoom(1 / 1.25));
  button(near, "+", "larger", () => viewer.zoom(1.25));
}

/** Switches for what is drawn on the limb, put into an element. */
export function partsOf(viewer, container) {
  const parts = group(container, "Drawn");
  for (const [part, word] of PARTS) {
    const label = document.createElement("label");
    const box = document.createElement("input");
    box.type = "checkbox";
    box.checked = viewer.shown[part];
    box.addEventListener("change", () => viewer.setShown({ [part]: box.checked }));
    label.append(box, ` ${word}`);
    parts.append(label);
  }
}

function group(container, name) {
  const made = document.createElement("div");
  made.className = "rv-group";
  made.setAttribute("role", "group");
  made.setAttribute("aria-label", name);
  container.append(made);
  return made;
}

function button(parent, word, title, act) {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = word;
  made.title = title;
  if (word.length < 2) made.setAttribute("aria-label", title);
  made.addEventListener("click", act);
  parent.append(made);
  return made;
}
