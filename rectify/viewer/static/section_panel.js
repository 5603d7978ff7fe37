// The section at the viewer's level: both outlines to scale, seen from above with anterior at the top, and what tape
// and callipers read there. The figures are the payload's, exact whatever the picture shows.

import { number, signed, whole } from "./words.js";

const SVG = "http://www.w3.org/2000/svg";
const ROOM = 1.22; // of the widest place, so that the words stand clear of the outlines

function made(name, attributes, parent) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  parent?.append(element);
  return element;
}

/** The panel for a viewer, put into an element; it follows the viewer's level, and its slider moves it. */
export function sectionPanelOf(viewer, container) {
  const { captured, rectified, head } = viewer.payload;
  const reach = ROOM * Math.max(...[captured, rectified].map((positions) => widest(positions)));
  const slider = document.createElement("input");
  Object.assign(slider, { type: "range", min: 0, step: 1, id: "rv-level" });
  const label = document.createElement("label");
  label.htmlFor = slider.id;
  label.textContent = "Section at level ";
  const shown = document.createElement("output");
  shown.htmlFor = slider.id;
  label.append(shown);
  const picture = made("svg", { class: "rv-section", viewBox: `${-reach} ${-reach} ${2 * reach} ${2 * reach}` });
  picture.setAttribute("role", "img");
  const cross = made("path", { class: "rv-cross-hair", d: `M${-reach} 0H${reach}M0 ${-reach}V${reach}` }, picture);
  cross.setAttribute("vector-effect", "non-scaling-stroke");
  const was = made("path", { class: "rv-was" }, picture);
  const now = made("path", { class: "rv-now" }, picture);
  const words = { size: (2 * reach) / 22, off: reach * 0.97 };
  const sides = head.lateral > 0 ? ["medial", "lateral"] : ["lateral", "medial"];
  const write = (text, x, y, anchor) => {
    made("text", { x, y, "text-anchor": anchor, "font-size": words.size }, picture).textContent = text;
  };
  write("anterior", 0, -words.off + words.size * 0.6, "middle");
  write("posterior", 0, words.off, "middle");
  write(sides[0], -words.off, -words.size * 0.4, "start");
  write(sides[1], words.off, -words.size * 0.4, "end");
  const table = document.createElement("table");
  table.className = "rv-figures";
  container.append(label, slider, picture, table);

  slider.addEventListener("input", () => viewer.setLevel(viewer.payload.levels[Number(slider.value)].level_mm));
  const follow = ({ level_mm: level, row, captured: before, rectified: after }) => {
    const index = viewer.payload.levels.indexOf(row);
    slider.max = String(viewer.payload.levels.length - 1);
    if (Number(slider.value) !== index) slider.value = String(index);
    const said = `${whole(level)} mm`;
    shown.textContent = said;
    slider.setAttribute("aria-valuetext", said);
    was.setAttribute("d", pathOf(before));
    now.setAttribute("d", pathOf(after));
    const figures = figuresOf(row);
    picture.setAttribute("aria-label", `Section at level ${said}: ${figures.map((f) => f.join(" ")).join("; ")}`);
    fill(table, figures, head.words);
  };
  const stop = viewer.on("level", follow);
  follow({ level_mm: viewer.level, row: viewer.row, ...viewer.sections });
  return stop;
}

function widest(positions) {
  let most = 0;
  for (let i = 0; i < positions.length; i += 3)
    most = Math.max(most, Math.abs(positions[i]), Math.abs(positions[i + 1]));
  return most;
}

// seen from above, as a technician looks down on the standing model: x to the right, anterior up
function pathOf(lines) {
  return lines
    .map(({ points, closed }) => {
      const parts = [];
      for (let i = 0; i < points.length; i += 3) parts.push(`${points[i].toFixed(2)} ${(-points[i + 1]).toFixed(2)}`);
      return parts.length ? `M${parts.join("L")}${closed ? "Z" : ""}` : "";
    })
    .join("");
}

function figuresOf(row) {
  const names = { circumference: "Circumference", ap: "AP", ml: "ML" };
  return Object.entries(names).map(([key, word]) => {
    const before = row?.[`${key}_before_mm`] ?? null;
    const after = row?.[`${key}_after_mm`] ?? null;
    return [
      word,
      number(before),
      number(after),
      before === null || after === null ? "\u2013" : signed(after - before),
    ];
  });
}

function fill(table, figures, { before, after }) {
  const row = (cells, kinds) => {
    const line = document.createElement("tr");
    cells.forEach((text, i) => {
      const cell = document.createElement(kinds(i) ? "th" : "td");
      if (kinds(i)) cell.scope = kinds(i);
      cell.textContent = text;
      line.append(cell);
    });
    return line;
  };
  const head = document.createElement("thead");
  head.append(row(["mm", before, after, "change"], () => "col"));
  const body = document.createElement("tbody");
  body.append(...figures.map((cells) => row(cells, (i) => (i ? "" : "row"))));
  table.replaceChildren(head, body);
}
