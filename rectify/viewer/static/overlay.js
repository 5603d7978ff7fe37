// What is written over the picture: names, landmarks by source, the ruler, which side is which. Drawn as SVG, so that
// it is sharp at any size. Region names stand beside the limb, each with a line to its region, so that none covers what
// it names; a landmark's name stands by its mark where there is room.

import { facing, spotPoints } from "./spots.js";

const SVG = "http://www.w3.org/2000/svg";
const RULER_MM = [5, 10, 20, 50, 100, 200];
const FACES_US = 0.12;
const NARROW_PX = 520; // there the figures of the section have no room in the picture
const GAP_PX = 18; // between the limb and the names
const EDGE_PX = 6;
const LINE_PX = 16;
const SAMPLED = 41; // every so many vertices say how wide the limb is in the picture
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
    this.read = element("text", { class: "rv-read", "text-anchor": "end" }, this.svg);
    this.shown = { names: true, landmarks: true };
    this.hidden = new Set();
  }

  /** Names and landmarks anew. */
  remake(payload) {
    for (const item of [...(this.names ?? []), ...(this.marks ?? [])]) item.group.remove();
    this.payload = payload;
    this.marks = payload.head.landmarks.map((mark) => this.mark(mark));
    this.names = payload.head.regions.map((region) => this.name(region));
  }

  name(region) {
    const group = element("g", { class: "rv-name" }, this.svg);
    const leader = element("path", { class: "rv-leader" }, group);
    const pin = element("circle", { class: "rv-pin", r: 2.2 }, group);
    const text = element("text", {}, group);
    element("tspan", {}, text).textContent = region.name;
    element("tspan", { class: "rv-amount", dx: "5" }, text).textContent = region.label;
    return { group, leader, pin, text, spot: region.spot, key: region.name, size: null };
  }

  mark(mark) {
    const group = element("g", { class: `rv-mark rv-${mark.source}` }, this.svg);
    const ring = mark.uncertainty_mm >= UNSURE_MM ? element("circle", { class: "rv-unsure" }, group) : null;
    element("circle", { class: "rv-dot", r: 4 }, group);
    if (mark.source === "estimated")
      element("path", { class: "rv-cross", d: "M-5.5-5.5 5.5 5.5M5.5-5.5-5.5 5.5" }, group);
    const text = element("text", { x: 8, y: 4 }, group);
    const told = !ring && this.payload.head.regions.some((region) => region.name === mark.name);
    text.textContent = told ? "" : mark.name + (ring ? ` \u00b1${mark.uncertainty_mm.toFixed(0)} mm` : "");
    return { group, ring, text, unsure: mark.uncertainty_mm, spot: mark.spot, key: mark.name, size: null };
  }

  /** Which names lie behind something; told by whoever can see that. */
  hide(keys) {
    this.hidden = keys;
  }

  /** What is written at the foot of the picture. */
  say(text) {
    this.read.textContent = text;
  }

  place(camera, surface, chosen) {
    const project = camera.projector();
    const { toward } = camera.basis;
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
      taken.push(around(x, y, 5));
    }
    const names = this.names.filter((name) => {
      const show = this.shown.names && seen(name);
      name.group.style.display = show ? "" : "none";
      name.group.classList.toggle("rv-chosen", name.key === chosen);
      if (show) [name.x, name.y] = at(name.spot);
      return show;
    });
    this.layNames(names, extent(surface.positions, project), camera.size, taken);
    for (const mark of marks) this.nameMark(mark, taken);
    this.drawRuler(camera);
    this.drawSides(camera);
    this.read.style.display = camera.size[0] < NARROW_PX ? "none" : "";
    this.read.setAttribute("x", camera.size[0] - 12);
    this.read.setAttribute("y", camera.size[1] - 12);
  }

  /** Names in two columns beside the limb, from the top down in the order of what they name. */
  layNames(names, [low, high], [width, height], taken) {
    const middle = (low + high) / 2;
    for (const side of [-1, 1]) {
      const own = names.filter((name) => name.x < middle === side < 0).sort((a, b) => a.y - b.y);
      const lines = spread(
        own.map((name) => name.y),
        LINE_PX,
        LINE_PX,
        height - LINE_PX,
      );
      own.forEach((name, i) => {
        name.size ??= measure(name.text);
        const wide = name.size[0];
        const near =
          side < 0 ? Math.max(low - GAP_PX, wide + EDGE_PX) : Math.min(high + GAP_PX, width - wide - EDGE_PX);
        const y = lines[i];
        name.text.setAttribute("text-anchor", side < 0 ? "end" : "start");
        name.text.setAttribute("transform", `translate(${near.toFixed(1)} ${(y + 4).toFixed(1)})`);
        const from = near - side * 4;
        name.leader.setAttribute(
          "d",
          `M${from.toFixed(1)} ${y.toFixed(1)}L${name.x.toFixed(1)} ${name.y.toFixed(1)}`,
        );
        name.pin.setAttribute("cx", name.x.toFixed(1));
        name.pin.setAttribute("cy", name.y.toFixed(1));
        const left = side < 0 ? near - wide : near;
        taken.push([left, y - LINE_PX / 2, left + wide, y + LINE_PX / 2], around(name.x, name.y, 3));
      });
    }
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

function around(x, y, reach) {
  return [x - reach, y - reach, x + reach, y + reach];
}

/** From where to where the limb reaches across the picture. */
function extent(positions, project) {
  let low = Infinity;
  let high = -Infinity;
  for (let i = 0; i + 2 < positions.length; i += 3 * SAMPLED) {
    const [x] = project(positions[i], positions[i + 1], positions[i + 2]);
    low = Math.min(low, x);
    high = Math.max(high, x);
  }
  return [low, high];
}

/** Places near the wanted ones (ascending), at least `step` apart and between the two ends while there is room. */
function spread(wanted, step, first, last) {
  const out = [];
  wanted.forEach((y, i) => out.push(Math.max(y, i ? out[i - 1] + step : first)));
  for (let i = out.length - 1, most = last; i >= 0; i--, most -= step) {
    if (out[i] <= most) break;
    out[i] = most;
  }
  return out;
}

function meet(a, b) {
  return a[0] < b[2] && a[2] > b[0] && a[1] < b[3] && a[3] > b[1];
}
