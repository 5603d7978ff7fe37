// What is written over the picture: names, landmarks by source, the ruler, which side is which. Drawn as SVG, so that
// it is sharp at any size. A name that finds no free place waits for another view.

import { facing, spotPoints } from "./spots.js";

const SVG = "http://www.w3.org/2000/svg";
const RULER_MM = [5, 10, 20, 50, 100, 200];
const FACES_US = 0.12;
const TRIED = [0, -1, 1, -2, 2, -3, 3]; // line heights up or down
const UNSURE_MM = 0.5; // from here on an uncertainty is drawn

function element(name, attributes, parent) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  parent?.append(made);
  return made;
}

/** Everything over the picture; `place` is called for every picture. */
export class Overlay {
  constructor(container, payload) {
    this.svg = element("svg", { class: "rv-over", "aria-hidden": "true" }, container);
    this.remake(payload);
    this.ruler = element("g", { class: "rv-ruler" }, this.svg);
    this.rule = element("path", {}, this.ruler);
    this.ruled = element("text", {}, this.ruler);
    this.sides = [0, 1].map((i) =>
      element("text", { class: "rv-side", "text-anchor": i ? "end" : "start" }, this.svg),
    );
    this.shown = { names: true, landmarks: true };
    this.hidden = new Set();
  }

  /** Names and landmarks anew. */
  remake(payload) {
    for (const item of [...(this.names ?? []), ...(this.marks ?? [])]) item.group.remove();
    this.payload = payload;
    this.marks = payload.head.landmarks.map((mark) => this.mark(mark));
    this.names = payload.head.regions.map((region, i) => this.name(region, i));
  }

  name(region, index) {
    const group = element("g", { class: "rv-name" }, this.svg);
    const leader = element("path", { class: "rv-leader" }, group);
    const text = element("text", { "text-anchor": "middle" }, group);
    element("tspan", {}, text).textContent = region.name;
    element("tspan", { class: "rv-amount", dx: "4" }, text).textContent = region.label;
    return { group, leader, text, spot: region.spot, index, key: region.name, size: null };
  }

  mark(mark) {
    const group = element("g", { class: `rv-mark rv-${mark.source}` }, this.svg);
    const ring = mark.uncertainty_mm >= UNSURE_MM ? element("circle", { class: "rv-unsure" }, group) : null;
    element("circle", { class: "rv-dot", r: 4 }, group);
    if (mark.source === "estimated")
      element("path", { class: "rv-cross", d: "M-5.5-5.5 5.5 5.5M5.5-5.5-5.5 5.5" }, group);
    const text = element("text", { x: 8, y: 4 }, group);
    text.textContent = mark.name + (ring ? ` \u00b1${mark.uncertainty_mm.toFixed(0)} mm` : "");
    return { group, ring, text, unsure: mark.uncertainty_mm, spot: mark.spot, key: mark.name, size: null };
  }

  /** Which names lie behind something; told by whoever can see that. */
  hide(keys) {
    this.hidden = keys;
  }

  place(camera, surface, chosen) {
    const project = camera.projector();
    const { toward } = camera.basis;
    const [width, height] = camera.size;
    const taken = [];
    const at = (spot) => {
      const [x, y, z] = spotPoints(this.payload, surface.positions, spot, 1);
      return project(x, y, z);
    };
    const seen = (item) =>
      facing(this.payload, surface.normals, item.spot, toward) > FACES_US && !this.hidden.has(item.key);
    const marks = this.marks.filter((mark) => {
      const show = this.shown.landmarks && seen(mark);
      mark.group.style.display = show ? "" : "none";
      return show;
    });
    for (const mark of marks) {
      const [x, y] = at(mark.spot);
      mark.x = x;
      mark.y = y;
      mark.group.setAttribute("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)})`);
      mark.ring?.setAttribute("r", (mark.unsure * camera.scale).toFixed(1));
      taken.push([x - 5, y - 5, x + 5, y + 5]);
    }
    const first = (name) => (name.key === chosen ? -1 : name.index);
    for (const name of [...this.names].sort((a, b) => first(a) - first(b))) {
      const show = this.shown.names && seen(name);
      name.group.style.display = show ? "" : "none";
      name.group.classList.toggle("rv-chosen", name.key === chosen);
      if (show) this.lay(name, at(name.spot), taken, width, height);
    }
    for (const mark of marks) this.nameMark(mark, taken);
    this.drawRuler(camera);
    this.drawSides(camera);
  }

  lay(name, [x, y], taken, width, height) {
    name.size ??= measure(name.text);
    const [w, h] = name.size;
    const left = Math.min(Math.max(x, w / 2 + 4), width - w / 2 - 4);
    for (const step of TRIED) {
      const top = y + step * h - h / 2;
      const box = [left - w / 2, top, left + w / 2, top + h];
      if (top < 2 || top + h > height - 2 || taken.some((other) => meet(box, other))) continue;
      taken.push(box);
      name.text.setAttribute("transform", `translate(${left.toFixed(1)} ${(top + 0.78 * h).toFixed(1)})`);
      const far = Math.abs(step) > 1 || Math.abs(left - x) > 8;
      const start = step < 0 ? top + h : top;
      name.leader.setAttribute(
        "d",
        far ? `M${x.toFixed(1)} ${y.toFixed(1)}L${left.toFixed(1)} ${start.toFixed(1)}` : "",
      );
      return;
    }
    name.group.style.display = "none";
  }

  nameMark(mark, taken) {
    mark.size ??= measure(mark.text);
    const [w, h] = mark.size;
    const box = [mark.x + 7, mark.y - h / 2, mark.x + 8 + w, mark.y + h / 2];
    const free = this.shown.names && !taken.some((other) => meet(box, other));
    mark.text.style.display = free ? "" : "none";
    if (free) taken.push(box);
  }

  drawRuler(camera) {
    const scale = camera.scale;
    const mm = RULER_MM.find((length) => length * scale >= 60) ?? RULER_MM.at(-1);
    const x = 14;
    const y = camera.size[1] - 16;
    this.rule.setAttribute("d", `M${x} ${y - 5}v10M${x} ${y}h${(mm * scale).toFixed(1)}m0-5v10`);
    this.ruled.setAttribute("x", x + mm * scale + 6);
    this.ruled.setAttribute("y", y + 4);
    this.ruled.textContent = `${mm} mm`;
  }

  drawSides(camera) {
    const opposite = { anterior: "posterior", posterior: "anterior", lateral: "medial", medial: "lateral", "": "" };
    const words = [opposite[camera.rightIs], camera.rightIs];
    this.sides.forEach((text, i) => {
      text.textContent = words[i];
      text.setAttribute("x", i ? camera.size[0] - 12 : 12);
      text.setAttribute("y", 20);
    });
  }
}

function measure(text) {
  const box = text.getBBox();
  return [box.width + 4, box.height + 1];
}

function meet(a, b) {
  return a[0] < b[2] && a[2] > b[0] && a[1] < b[3] && a[3] > b[1];
}
