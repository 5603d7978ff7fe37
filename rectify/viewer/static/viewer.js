// The 3D view of a rectification, shared by the change report and the workbench: captured against rectified, coloured
// by displacement, with outlines, landmarks and a section that can be dragged.
//
//   const viewer = createViewer(element, readPayload(bytes), { mode: "change", wheel: "always" });
//   viewer.on("level", ({ level_mm, row, captured, rectified }) => ...);
//   viewer.setPositions(positions, moves);
//
// It draws when something changed and not otherwise. Figures are the payload's; nothing is measured here.

import { Camera } from "./camera.js";
import { Overlay } from "./overlay.js";
import { Picker, pointAt, valueAt } from "./pick.js";
import { outlineLines, ringLines } from "./pens.js";
import { listen } from "./pointer.js";
import { Ribbons } from "./ribbons.js";
import { sectionAt } from "./section.js";
import { spotPoints } from "./spots.js";
import { Surface } from "./surface.js";
import { figures, spoken } from "./words.js";
import { Matrix4, OrthographicCamera, Scene, Vector3, WebGLRenderer } from "./three.js";

// what each mode shows: how much of the captured and the rectified surface, whether as glass, whether in colours
const MODES = {
  change: { captured: 0, rectified: 1, glass: 0, coloured: 1 },
  both: { captured: 0.75, rectified: 1, glass: 1, coloured: 1 },
  captured: { captured: 1, rectified: 0, glass: 0, coloured: 0 },
  plain: { captured: 0, rectified: 1, glass: 0, coloured: 0 },
};
const PLASTER = new Vector3(0.94, 0.925, 0.9);
const GLASS = new Vector3(0.5, 0.58, 0.72);
const LIFT_MM = 1.6;
const BEHIND_MM = 6; // a name whose place lies farther than this behind the surface is hidden
const GRAB_PX = 9;
const REST_MS = 140;

/** Whether this browser can show the view at all. */
export function canView() {
  const probe = document.createElement("canvas").getContext("webgl2");
  probe?.getExtension("WEBGL_lose_context")?.loseContext();
  return probe !== null && typeof DecompressionStream === "function";
}

/**
 * A viewer inside an element, which gives it its size. Throws where there is no WebGL 2.
 *
 * Options: mode ("change" | "both" | "captured" | "plain"), level (mm), side (where to look from), wheel ("always" |
 * "with-ctrl"), touch (CSS touch-action), label (what the picture is, for whoever cannot see it).
 */
export function createViewer(container, payload, options = {}) {
  return new Viewer(container, payload, options);
}

class Viewer {
  constructor(container, payload, options) {
    this.payload = payload;
    this.container = container;
    this.listeners = { hover: new Set(), choose: new Set(), level: new Set(), view: new Set() };
    this.chosen = null;
    this.shown = { outlines: true, names: true, landmarks: true, contours: true, section: true };
    this.camera = new Camera(payload.head.lateral);
    this.build(options);
    this.fit();
    this.setMode(options.mode ?? "change");
    if (options.side) this.camera.stand(options.side);
    this.setLevel(options.level ?? this.middleLevel());
  }

  // -- making -------------------------------------------------------------------------------------

  build({ wheel = "always", touch = "none", label = "3D view of the limb" }) {
    this.root = document.createElement("div");
    this.root.className = "rv-view";
    this.canvas = document.createElement("canvas");
    Object.assign(this.canvas, { tabIndex: 0, className: "rv-canvas" });
    this.canvas.setAttribute("role", "application");
    this.canvas.setAttribute("aria-label", label);
    this.canvas.style.touchAction = touch;
    const context = this.canvas.getContext("webgl2", { antialias: true, alpha: true, preserveDrawingBuffer: true });
    if (!context) throw new Error("this browser shows no WebGL 2");
    this.renderer = new WebGLRenderer({ canvas: this.canvas, context, antialias: true, alpha: true });
    this.renderer.setClearColor(0xffffff, 0);
    this.tip = document.createElement("div");
    this.tip.className = "rv-tip";
    this.tip.hidden = true;
    this.root.append(this.canvas);
    this.overlay = new Overlay(this.root, this.payload);
    this.root.append(this.tip);
    this.container.append(this.root);
    this.scene = new Scene();
    this.eye = new OrthographicCamera();
    this.eye.matrixAutoUpdate = false;
    this.rectified = new Surface(this.payload, this.payload.rectified);
    this.captured = new Surface(this.payload, this.payload.captured);
    this.outlines = new Ribbons(1);
    this.ring = new Ribbons(2);
    for (const part of [this.rectified, this.captured, this.outlines, this.ring]) this.scene.add(part.mesh);
    this.picker = new Picker(this.payload.faces);
    this.stopListening = listen(this.canvas, this.means(), { wheel });
    this.watch = new ResizeObserver(() => this.resize());
    this.watch.observe(this.root);
    this.resize();
  }

  fit() {
    const low = [Infinity, Infinity, Infinity];
    const high = [-Infinity, -Infinity, -Infinity];
    for (const positions of [this.payload.captured, this.payload.rectified]) {
      positions.forEach((value, i) => {
        low[i % 3] = Math.min(low[i % 3], value);
        high[i % 3] = Math.max(high[i % 3], value);
      });
    }
    this.camera.fit(low, high);
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.root;
    if (!width || !height) return;
    this.renderer.setPixelRatio(Math.min(window.devicePixelRatio || 1, 2));
    this.renderer.setSize(width, height, false);
    this.camera.resize(width, height);
    for (const surface of [this.rectified, this.captured]) surface.set({ pixel: this.renderer.getPixelRatio() });
    this.changed();
  }

  // -- what a caller may do -----------------------------------------------------------------------

  /** New positions of the rectified surface (3 per vertex, mm) and its moves (1 per vertex, mm). */
  setPositions(positions, moves) {
    if (positions.length !== this.payload.captured.length)
      throw new Error("positions: not one per vertex of the view");
    this.payload.rectified = positions;
    this.rectified.setPositions(positions);
    if (moves) {
      this.payload.moves = moves;
      this.rectified.setMoves(moves);
      this.captured.setMoves(moves);
    }
    this.drawOutlines();
    this.setLevel(this.level);
  }

  /** Other regions and outlines: `head` and spots of a payload that was packed for the same view. */
  setRegions({ head, regionOf, spotCorners, spotWeights }) {
    const { regions, outlines, landmarks, trimline } = head;
    Object.assign(this.payload.head, { regions, outlines, landmarks, trimline });
    Object.assign(this.payload, { regionOf, spotCorners, spotWeights });
    this.overlay.remake(this.payload);
    this.drawOutlines();
    this.changed();
  }

  /** The exact figures by level, in ascending order, as the payload's `levels`. */
  setLevels(rows) {
    this.payload.levels = rows;
    this.setLevel(this.level);
  }

  /** Where the colour scale ends, mm, either way. */
  setScale(top) {
    this.payload.head.scale.top_mm = top;
    for (const surface of [this.rectified, this.captured]) surface.set({ top });
    this.changed();
  }

  setMode(mode) {
    const { captured, rectified, glass, coloured } = MODES[mode];
    this.mode = mode;
    this.coloured = coloured;
    this.glass = glass;
    this.setOpacity({ captured, rectified });
  }

  /** How much of either surface is seen, 0 to 1. */
  setOpacity({ captured = this.opacity?.captured, rectified = this.opacity?.rectified }) {
    this.opacity = { captured, rectified };
    this.captured.show(captured, rectified > 0 ? this.glass : 0);
    this.captured.set({ coloured: 0, plain: this.glass ? GLASS : PLASTER });
    this.rectified.show(rectified);
    this.rectified.set({ coloured: this.coloured });
    this.drawOutlines();
    this.drawRing();
    this.changed();
  }

  /** Switch parts on and off: { outlines, names, landmarks, contours, section }. */
  setShown(parts) {
    Object.assign(this.shown, parts);
    Object.assign(this.overlay.shown, { names: this.shown.names, landmarks: this.shown.landmarks });
    for (const surface of [this.rectified, this.captured]) surface.set({ contours: this.shown.contours ? 1 : 0 });
    this.drawOutlines();
    this.drawRing();
    this.changed();
  }

  /** Choose a region by name, or null for none. */
  choose(name, where = null) {
    this.chosen = name;
    this.drawOutlines();
    this.changed();
    this.tell("choose", { name, where });
  }

  /** Show the section nearest to a level for which there are figures. */
  setLevel(mm) {
    const rows = this.payload.levels;
    const row = rows.length
      ? rows.reduce((a, b) => (Math.abs(b.level_mm - mm) < Math.abs(a.level_mm - mm) ? b : a))
      : null;
    this.level = row ? row.level_mm : mm;
    this.row = row;
    this.sections = {
      captured: sectionAt(this.payload.captured, this.payload.faces, this.level),
      rectified: sectionAt(this.payload.rectified, this.payload.faces, this.level),
    };
    this.drawRing();
    this.changed();
    this.tell("level", { level_mm: this.level, row, ...this.sections });
  }

  /** Look from a side: "anterior", "lateral", "posterior", "medial" or "end". */
  look(side) {
    this.camera.look(side, () => this.changed());
  }

  /** Nearer or farther, about a place of the picture or its middle. */
  zoom(factor, x, y) {
    this.camera.zoomBy(factor, x, y);
    this.changed();
  }

  /** Listen for "hover", "choose", "level" or "view"; returns a function that stops. */
  on(name, act) {
    this.listeners[name].add(act);
    return () => this.listeners[name].delete(act);
  }

  /** What lies at a place of the picture: { level_mm, angle_deg, move_mm, region, point }, or null. */
  readAt(x, y) {
    this.layDown();
    const hit = this.picker.at(x, y);
    if (!hit) return null;
    const { captured, moves, regionOf, head } = this.payload;
    const [cx, cy, cz] = pointAt(captured, hit);
    const strongest = hit.corners[hit.weights.indexOf(Math.max(...hit.weights))];
    const region = regionOf ? head.regions[regionOf[strongest] - 1] : null;
    const angle = (Math.atan2(head.lateral * cx, cy) * 180) / Math.PI;
    return {
      level_mm: -cz,
      angle_deg: (angle + 360) % 360,
      move_mm: valueAt(moves, hit),
      region: region?.name ?? null,
      point: pointAt(this.front().positions, hit),
    };
  }

  /** Where a point of the limb frame lies on the picture: [pixels right, pixels down]. */
  placeOf([x, y, z]) {
    return this.camera.projector()(x, y, z).slice(0, 2);
  }

  /** Take it out of the page and give back what it held. */
  dispose() {
    this.camera.stop();
    cancelAnimationFrame(this.due);
    clearTimeout(this.resting);
    this.stopListening();
    this.watch.disconnect();
    for (const part of [this.rectified, this.captured, this.outlines, this.ring]) part.dispose();
    this.renderer.dispose();
    this.renderer.forceContextLoss();
    this.root.remove();
  }

  // -- hands --------------------------------------------------------------------------------------

  means() {
    const seen =
      (act) =>
      (...given) => {
        this.camera.stop();
        act(...given);
        this.changed();
      };
    return {
      turn: seen((angle, rise) => this.camera.turn(angle, rise)),
      pan: seen((dx, dy) => this.camera.pan(dx, dy)),
      zoom: seen((factor, x, y) => this.camera.zoomBy(factor, x, y)),
      look: (side) => this.look(side),
      reset: () => this.look("anterior"),
      hover: (x, y) => this.hover(x, y),
      leave: () => this.hover(-1, -1),
      click: (x, y) => {
        const at = this.readAt(x, y);
        this.choose(at?.region ?? null, at);
        this.hover(x, y);
      },
      clear: () => this.choose(null),
      grab: (x, y) => {
        this.wanted = this.level;
        return this.shown.section && this.nearRing(x, y);
      },
      level: (dy) => {
        const upright = Math.cos((this.camera.rise * Math.PI) / 180);
        if (upright < 0.15) return;
        this.wanted += dy / (this.camera.scale * upright);
        this.setLevel(this.wanted);
      },
      nudge: (steps) => this.nudge(steps),
    };
  }

  /** Go some steps of the table of levels, distally positive. */
  nudge(steps) {
    const rows = this.payload.levels;
    const next = Math.min(rows.length - 1, Math.max(0, rows.indexOf(this.row) + steps));
    if (rows.length) this.setLevel(rows[next].level_mm);
  }

  hover(x, y) {
    const at = x < 0 ? null : this.readAt(x, y);
    this.canvas.style.cursor = this.shown.section && x >= 0 && this.nearRing(x, y) ? "ns-resize" : "";
    this.tip.hidden = !at;
    if (at) {
      this.tip.textContent = spoken(at);
      const left = x + 16 + this.tip.offsetWidth > this.camera.size[0] ? x - 12 - this.tip.offsetWidth : x + 16;
      this.tip.style.transform = `translate(${Math.max(2, left)}px, ${Math.max(2, y - 34)}px)`;
    }
    this.tell("hover", at);
  }

  nearRing(x, y) {
    const project = this.camera.projector();
    return this.frontSection().some(({ points }) => {
      for (let i = 0; i < points.length; i += 3) {
        const [px, py] = project(points[i], points[i + 1], points[i + 2]);
        if (Math.hypot(px - x, py - y) < GRAB_PX) return true;
      }
      return false;
    });
  }

  // -- drawing ------------------------------------------------------------------------------------

  front() {
    return this.opacity.rectified > 0 ? this.rectified : this.captured;
  }

  frontSection() {
    return this.opacity.rectified > 0 ? this.sections.rectified : this.sections.captured;
  }

  drawOutlines() {
    this.outlines.set(this.shown.outlines ? outlineLines(this.payload, this.front().positions, this.chosen) : []);
  }

  drawRing() {
    const shown = this.shown.section && this.sections;
    const behind = this.opacity.captured > 0 && this.opacity.rectified > 0 ? this.sections?.captured : [];
    this.ring.set(shown ? ringLines(this.frontSection(), behind) : []);
    this.overlay.say(shown && this.row ? figures(this.row) : "");
  }

  changed() {
    this.laid = false;
    this.rested = false;
    this.overlay.hide(new Set());
    this.due ??= requestAnimationFrame(() => {
      this.due = undefined;
      this.draw();
    });
    clearTimeout(this.resting);
    this.resting = setTimeout(() => this.rest(), REST_MS);
  }

  draw() {
    const { size, scale, depth, target, basis } = this.camera;
    const far = 2 * depth + 200;
    const eye = this.eye;
    [eye.left, eye.right, eye.top, eye.bottom] = [-size[0], size[0], size[1], -size[1]].map((px) => px / (2 * scale));
    [eye.near, eye.far] = [0, 2 * far];
    eye.updateProjectionMatrix();
    const [right, up, toward] = [basis.right, basis.up, basis.toward].map((v) => new Vector3(...v));
    eye.matrix = new Matrix4().makeBasis(right, up, toward);
    eye.matrix.setPosition(...target.map((value, i) => value + far * basis.toward[i]));
    eye.updateMatrixWorld(true);
    for (const lines of [this.outlines, this.ring]) lines.place(size, LIFT_MM / far);
    this.renderer.render(this.scene, eye);
    this.overlay.place(this.camera, this.front(), this.chosen);
    this.tell("view", { angle_deg: this.camera.angle, rise_deg: this.camera.rise, zoom: this.camera.zoom });
  }

  /** Once the picture is at rest: names that lie behind something go. */
  rest() {
    this.layDown();
    const project = this.camera.projector();
    const hidden = new Set();
    for (const item of [...this.overlay.names, ...this.overlay.marks]) {
      const [x, y, near] = project(...spotPoints(this.payload, this.front().positions, item.spot, 1));
      const hit = this.picker.at(x, y);
      if (hit && hit.near > near + BEHIND_MM) hidden.add(item.key);
    }
    this.overlay.hide(hidden);
    this.overlay.place(this.camera, this.front(), this.chosen);
    this.rested = true;
  }

  /** Whether the picture is finished: nothing turns, and every name is where it stays. */
  get atRest() {
    return this.rested && !this.camera.turning;
  }

  layDown() {
    if (this.laid) return;
    this.picker.lay(this.front().positions, this.camera.projector());
    this.laid = true;
  }

  middleLevel() {
    const rows = this.payload.levels.filter((row) => row.circumference_after_mm !== null);
    return rows.length ? rows[Math.floor(rows.length / 3)].level_mm : 0;
  }

  tell(name, what) {
    for (const act of this.listeners[name]) act(what);
  }
}
