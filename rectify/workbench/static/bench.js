// The workbench's page: what the server holds is shown, what hands do is asked of it. The state is the server's; this
// page can be closed or opened twice without harm.

import { Refused, get, getBytes, getFinished, post, sentence } from "./api.js";
import { button, byId, counted, el, mm, signed } from "./dom.js";
import { Fitting } from "./fitting.js";
import { Hand } from "./hand.js";
import { UnrolledMap, placeOf } from "./map.js";
import { Marks } from "./marks.js";
import { Regions } from "./regions.js";
import { Versions } from "./versions.js";
import { Wall } from "./wall.js";
import { controlsOf, partsOf } from "/viewer/controls.js";
import { legendOf } from "/viewer/legend.js";
import { readPayload } from "/viewer/payload.js";
import { sectionPanelOf } from "/viewer/section_panel.js";
import { canView, createViewer } from "/viewer/viewer.js";

const LOOK_EVERY_MS = 2500;
const LONG_MS = 400;

class Bench {
  constructor() {
    this.hand = new Hand();
    this.chosen = null;
    this.waiting = new Map();
    this.queue = Promise.resolve();
    this.map = new UnrolledMap(byId("map"), { onChoose: (name) => this.choose(name), onPlace: (place) => this.placedOnMap(place) });
    this.parts = {
      regions: new Regions(byId("regions"), this), wall: new Wall(byId("wall"), this), marks: new Marks(byId("marks"), this),
      fitting: new Fitting(byId("fitting"), this), versions: new Versions(byId("versions"), this),
    };
    this.listen();
  }

  async start() {
    try {
      this.take(await get("/api/state"));
    } catch (problem) {
      this.refuse(problem);
      return;
    }
    setInterval(() => this.lookAgain(), LOOK_EVERY_MS);
  }

  // -- the state -----------------------------------------------------------------------------------

  /** Another state stands: show it, and the shape when the engine has made it. */
  take(state) {
    this.state = state;
    this.found = null;
    if (this.chosen && !state.regions.some((region) => region.name === this.chosen)) this.chosen = null;
    this.showAll();
    this.shape(state.revision);
  }

  async shape(revision) {
    const late = setTimeout(() => this.busy("the shape is being made"), LONG_MS);
    try {
      const [buffer, found] = [await getBytes("/api/shape"), await getFinished("/api/found")];
      if (revision !== this.state.revision) return;
      this.found = found;
      this.showShape(readPayload(buffer));
      this.showAll();
    } catch (problem) {
      if (revision === this.state.revision) this.refuse(problem);
    } finally {
      clearTimeout(late);
      if (revision === this.state.revision) this.busy(null);
    }
  }

  showShape(payload) {
    if (!canView()) {
      byId("picture").replaceChildren(el("p", { class: "fault" }, "This browser shows no WebGL 2: the map and the section are there, the picture is not."));
      this.map.show(payload, this.state.chart);
      return;
    }
    const same = this.viewer && sameNumbers(this.viewer.payload.captured, payload.captured);
    if (same) {
      payload.captured = this.viewer.payload.captured;
      this.viewer.setScale(payload.head.scale.top_mm);
      this.viewer.setRegions(payload);
      this.viewer.setPositions(payload.rectified, payload.moves);
      this.viewer.setLevels(payload.levels);
    } else this.newViewer(payload);
    byId("scale").replaceChildren(legendOf(payload.head.scale));
    this.viewer.choose(this.chosen);
    this.hand.forget();
    this.madeOf = new Map(this.state.regions.map((region) => [region.name, region.amount_mm]));
    if (this.chosen) this.hold(this.chosen);
    this.map.show(this.viewer.payload, this.state.chart);
  }

  newViewer(payload) {
    const kept = this.viewer && { mode: this.viewer.mode, level: this.viewer.level };
    this.viewer?.dispose();
    this.viewer = createViewer(byId("picture"), payload, { side: "anterior", label: "The limb, captured and rectified", ...kept });
    byId("controls").replaceChildren();
    byId("section").replaceChildren();
    controlsOf(this.viewer, byId("controls"));
    partsOf(this.viewer, byId("controls"));
    sectionPanelOf(this.viewer, byId("section"));
    this.viewer.on("choose", ({ name, where }) => (this.placing ? this.placedOnLimb(where) : this.choose(name, true)));
    this.viewer.on("level", ({ level_mm: level }) => {
      this.map.level = level;
      this.map.draw();
    });
  }

  /** Whether another window has changed something. */
  async lookAgain() {
    if (document.hidden || this.sending) return;
    try {
      const state = await get(`/api/state?after=${this.state.revision}`);
      if (this.away) this.tell("the workbench answers again", "good");
      this.away = false;
      if (state && state.revision !== this.state.revision && !this.sending) this.take(state);
    } catch (problem) {
      if (!this.away) this.refuse(problem);
      this.away = true;
    }
  }

  /** Ask for a change, after those that are under way; of changes of one thing that wait, only the last is asked for. */
  change(path, body = {}) {
    const what = `${path} ${body.name ?? ""}`;
    const asked = { path, body };
    this.waiting.set(what, asked);
    this.queue = this.queue.then(() => {
      if (this.waiting.get(what) !== asked) return true;
      this.waiting.delete(what);
      return this.send(path, body);
    });
    return this.queue;
  }

  /** What is refused is told, and the controls go back to what stands. */
  async send(path, body) {
    this.sending = true;
    try {
      this.take(await post(path, { revision: this.state.revision, ...body }));
      byId("notices").replaceChildren();
      return true;
    } catch (problem) {
      this.refuse(problem);
      if (problem.state) this.take(problem.state);
      else {
        this.showAll();
        if (this.hand.base) this.shape(this.state.revision);
      }
      return false;
    } finally {
      this.sending = false;
      this.showLate();
    }
  }

  // -- regions -------------------------------------------------------------------------------------

  changeOf(name) {
    return this.state.overlay.regions?.[name];
  }

  isDrawn(name) {
    return name in (this.state.overlay.drawn ?? {});
  }

  changeRegion(name, change) {
    const kept = change && Object.fromEntries(Object.entries(change).filter(([, value]) => value !== null && value !== false));
    return this.change("/api/region", { name, change: kept && Object.keys(kept).some((key) => key !== "why") ? kept : null });
  }

  choose(name, fromViewer = false) {
    if (this.placing) return;
    this.chosen = name;
    if (!fromViewer && this.viewer) {
      this.viewer.choose(name);
      this.face(name);
    }
    this.map.choose(name);
    this.parts.regions.show();
    if (name) {
      const row = byId(`region-${name}`);
      row?.closest("details").setAttribute("open", "");
      row?.scrollIntoView({ block: "nearest" });
      this.hold(name);
    }
  }

  async hold(name) {
    if (!this.state.regions.find((region) => region.name === name)?.on) return;
    const lines = await this.hand.hold(name);
    if (this.chosen === name) this.lines = { name, lines };
  }

  /** Turn the limb so that a region is seen. */
  face(name) {
    const anchor = this.state.regions.find((region) => region.name === name)?.anchor;
    if (!anchor) return;
    const side = ["anterior", "lateral", "posterior", "medial"][Math.round(anchor.angle_deg / 90) % 4];
    this.viewer.look(anchor.level_mm > this.state.chart.centre_mm + 20 ? "end" : side);
  }

  /** The shape follows the hand, from what the engine made. */
  drag(region, amount) {
    if (this.lines?.name !== region.name || !this.viewer) return;
    const made = this.madeOf.get(region.name) ?? region.amount_mm;
    if (this.hand.follow(this.viewer, this.lines.lines, amount - made)) this.map.draw();
  }

  // -- placing -------------------------------------------------------------------------------------

  placeMark(name, line) {
    this.place({ what: name, line, least: line ? 2 : 1, done: (points) => this.change("/api/landmark", { name, place: points }) });
  }

  draw() {
    const count = Object.keys(this.state.overlay.drawn ?? {}).length + 1;
    let name = `drawn-${count}`;
    while (this.state.regions.some((region) => region.name === name)) name += "a";
    this.place({ what: "the outline", line: true, least: 3, ring: true, done: (_, places) => this.askDrawn(name, places) });
  }

  place(task) {
    this.placing = { ...task, points: [], places: [], before: this.viewer?.mode };
    this.viewer?.setMode("captured");
    this.map.placing = true;
    byId("controls").inert = true;
    const at = this.state.landmarks.find((mark) => mark.name === task.what);
    this.map.cross = { station_mm: at?.level_mm ?? this.viewer?.level ?? 0, angle_deg: at?.angle_deg ?? 0 };
    this.hint();
    byId("map").focus();
  }

  hint() {
    const { what, line, least, points, places } = this.placing;
    const count = Math.max(points.length, places.length);
    const done = line ? button(`Done (${counted(count, "point")})`, () => this.placed(), { disabled: count < least, id: "placed" }) : null;
    const more = line ? `Click place after place of ${what}, on the limb or the map.` : `Click where ${what} is, on the limb or the map.`;
    byId("hint").replaceChildren(more, " ", done ?? "", button("Leave it", () => this.stopPlacing(), { id: "leave-placing" }));
    byId("hint").hidden = false;
    byId("scale").hidden = true;
    this.map.setDrawn(places);
  }

  placedOnLimb(where) {
    if (!where) return;
    const [station, angle] = placeOf(where.point, this.viewer.payload.head.lateral, this.state.chart);
    this.add(where.point, { station_mm: station, angle_deg: (angle + 360) % 360 });
  }

  placedOnMap(place) {
    const point = this.map.pointAt(place);
    if (point) this.add(point, place);
  }

  add(point, place) {
    this.placing.points.push(point);
    this.placing.places.push(place);
    if (this.placing.line) this.hint();
    else this.placed();
  }

  placed() {
    const { points, places, done } = this.placing;
    this.stopPlacing();
    done(points, places);
  }

  stopPlacing() {
    const before = this.placing?.before;
    this.placing = null;
    this.map.placing = false;
    this.map.cross = null;
    this.map.setDrawn([]);
    byId("hint").hidden = true;
    byId("scale").hidden = false;
    byId("controls").inert = false;
    if (before) this.viewer.setMode(before);
  }

  askDrawn(name, places) {
    const action = el("select", { "aria-label": "action" }, el("option", { value: "build-up" }, "build-up"), el("option", { value: "reduce" }, "reduction"));
    const amount = el("input", { type: "number", min: 0, max: 15, step: 0.5, value: "2", "aria-label": "amount, mm", id: "drawn-amount" });
    const feather = el("input", { type: "number", min: 1, max: 60, step: 1, value: "10", "aria-label": "feather, mm" });
    const why = el("input", { type: "text", maxlength: 300, placeholder: "why, in a few words", "aria-label": "why" });
    const ring = places.map(({ station_mm: station, angle_deg: angle }) => [Number(station.toFixed(1)), Number(angle.toFixed(1))]);
    const make = () => this.change("/api/drawn", { name, drawn: { action: action.value, amount: Number(amount.value), feather: Number(feather.value), ring, why: why.value.trim() } })
      .then((good) => good && this.choose(name));
    byId("notices").replaceChildren(el("div", { class: "notice" }, el("strong", {}, name), action, amount, " mm, feather ", feather, " mm ", why,
      button("Make it", make, { class: "main", id: "make-drawn" }), button("Leave it", () => byId("notices").replaceChildren())));
    amount.focus();
  }

  // -- saying --------------------------------------------------------------------------------------

  showAll() {
    const { state, found } = this;
    byId("case").textContent = state.case;
    const changes = ["regions", "drawn", "landmarks"].reduce((sum, key) => sum + Object.keys(state.overlay[key] ?? {}).length, 0)
      + (state.overlay.findings?.length ?? 0) + (state.overlay.overall ? 1 : 0) + (state.overlay.end ? 1 : 0);
    const base = state.base ? `version ${state.base}` : "as written";
    byId("standing").textContent = `${state.side} ${state.amputation}; ${state.rulebook.name}; ${base}${changes ? `, ${counted(changes, "change")} not saved` : ""}`;
    document.title = `${changes ? "\u2022 " : ""}${state.case} \u2013 rectify`;
    for (const act of ["undo", "redo", "save"]) byId(act).disabled = !state.can[act];
    if (found) this.showFigures(found);
    this.showLooks();
    this.showLeftOver();
    for (const part of Object.values(this.parts)) this.showPart(part);
  }

  /** A part is not made anew under a hand that is at work in it, nor where a newer state of it is on its way. */
  showPart(part) {
    this.late ??= new Set();
    if (this.waiting.size || (this.editing && part.box.contains(this.editing))) this.late.add(part);
    else {
      this.late.delete(part);
      part.show();
    }
  }

  showLate() {
    for (const part of [...(this.late ?? [])]) this.showPart(part);
  }

  /** Which control a hand is at: from the first key or touch until its value is settled. */
  watchHands() {
    const begin = (event) => {
      this.editing = event.target;
    };
    const end = (event) => {
      if (event.target !== this.editing) return;
      setTimeout(() => { // after the control's own change, which comes last
        this.editing = null;
        this.showLate();
      });
    };
    document.addEventListener("input", begin, true);
    document.addEventListener("pointerdown", (event) => event.target.type === "range" && begin(event), true);
    document.addEventListener("change", () => {
      this.editing = null;
    }, true);
    document.addEventListener("pointerup", end, true);
    document.addEventListener("focusout", end, true);
  }

  showFigures({ volume, extremes, breaches }) {
    const pair = (word, ...values) => el("div", {}, el("dt", {}, word), el("dd", {}, ...values));
    const spot = (extreme, sign) => (extreme ? `${signed(sign * extreme.amount_mm)} mm${extreme.region ? `, ${extreme.region}` : ""}` : "\u2013");
    byId("figures").replaceChildren(
      pair("volume", `${mm(volume.after_ml, 0)} ml (${signed(volume.change_ml, 0)} ml, ${signed(volume.change_percent)} %)`),
      pair("most built up", spot(extremes.build_up, 1)), pair("most reduced", spot(extremes.reduction, -1)),
      breaches?.length ? el("div", { class: "fault" }, el("dt", {}, "past a limit"), el("dd", {}, breaches[0])) : "");
  }

  showLooks() {
    const warnings = this.found?.warnings ?? this.state.warnings;
    const looks = warnings.filter((warning) => warning.severity !== "note" && !["not-released", "release-stale"].includes(warning.code));
    const box = byId("looks");
    box.hidden = looks.length === 0;
    box.querySelector("summary").textContent = `${counted(looks.length, "thing")} to look at`;
    box.querySelector("ul").replaceChildren(...looks.map((warning) => {
      const name = warning.where?.startsWith("regions.") ? warning.where.split(".")[1] : warning.where;
      const known = this.state.regions.some((region) => region.name === name);
      return el("li", {}, known ? button(name, () => this.choose(name)) : "", ` ${warning.message}`);
    }));
  }

  showLeftOver() {
    const { left_over: left } = this.state;
    if (!left || byId("left-over")) return;
    byId("notices").append(el("div", { class: "notice", id: "left-over" }, `${counted(left.changes, "change")} on ${left.base ? `version ${left.base}` : "the case as written"} were left unsaved.`,
      button("Take them up", () => this.change("/api/take-up"), { class: "main", id: "take-up" }), button("Throw them away", () => this.change("/api/throw-away"), { id: "throw-away" })));
  }

  busy(text) {
    byId("busy").hidden = !text;
    byId("busy").firstElementChild.textContent = text ?? "";
  }

  async during(text, act) {
    this.busy(text);
    try {
      await act();
    } catch (problem) {
      this.refuse(problem);
    } finally {
      this.busy(null);
    }
  }

  refuse(problem) {
    if (!(problem instanceof Refused)) throw problem;
    const lines = problem.faults.map((fault) => el("p", {}, sentence(fault)));
    this.tell(lines, "fault");
  }

  tell(what, kind) {
    const notice = el("div", { class: `notice ${kind}` }, ...[what].flat(), button("Close", () => notice.remove(), { class: "close" }));
    const left = byId("left-over");
    byId("notices").replaceChildren(...(left ? [left] : []), notice);
    if (kind === "good") setTimeout(() => notice.remove(), 6000);
  }

  // -- hands ---------------------------------------------------------------------------------------

  listen() {
    this.watchHands();
    byId("undo").addEventListener("click", () => this.change("/api/undo"));
    byId("redo").addEventListener("click", () => this.change("/api/redo"));
    byId("save").addEventListener("click", () => this.askSave());
    byId("keys").addEventListener("click", () => byId("show-keys").showModal());
    byId("save-no").addEventListener("click", () => byId("ask-save").close());
    byId("ask-save").querySelector("form").addEventListener("submit", (event) => {
      event.preventDefault();
      this.save();
    });
    document.addEventListener("keydown", (event) => this.key(event));
  }

  key(event) {
    const typing = event.target.matches?.("input:not([type=range]):not([type=checkbox]), textarea, select");
    const act = (what) => {
      event.preventDefault();
      what();
    };
    const key = event.key.toLowerCase();
    if (event.key === "Escape" && this.placing) act(() => this.stopPlacing());
    else if (event.key === "Enter" && this.placing?.line && event.target.id !== "map" && !byId("placed").disabled) act(() => this.placed());
    else if (!(event.ctrlKey || event.metaKey)) return;
    else if (key === "s") act(() => !byId("save").disabled && this.askSave());
    else if (typing) return;
    else if (key === "z" && !event.shiftKey) act(() => this.state.can.undo && this.change("/api/undo"));
    else if (key === "y" || key === "z") act(() => this.state.can.redo && this.change("/api/redo"));
  }

  askSave() {
    byId("save-by").value ||= this.state.by ?? localStorage.getItem("rectify-by") ?? "";
    byId("save-fault").textContent = "";
    byId("ask-save").showModal();
    (byId("save-by").value ? byId("save-why") : byId("save-by")).focus();
  }

  async save() {
    const [by, why] = [byId("save-by").value.trim(), byId("save-why").value.trim()];
    this.sending = true;
    try {
      const state = await post("/api/save", { revision: this.state.revision, by, why });
      localStorage.setItem("rectify-by", by);
      byId("ask-save").close();
      byId("save-why").value = "";
      this.take(state);
      this.tell(`version ${state.base} is saved; \u201crectify apply\u201d takes it from now on`, "good");
    } catch (problem) {
      if (!(problem instanceof Refused)) throw problem;
      byId("save-fault").textContent = problem.message;
      if (problem.state) this.take(problem.state);
    } finally {
      this.sending = false;
    }
  }
}

function sameNumbers(a, b) {
  return a.length === b.length && a.every((value, i) => value === b[i]);
}

const bench = new Bench();
window.bench = bench; // for whoever wants to ask it from the console
bench.start();
