// The landmarks: a table of all with how each is known, and placing, moving, accepting them on the captured shape.

import { button, el, mm } from "./dom.js";

const KNOWN = { marked: "marked", mark: "pencil mark", computed: "computed", estimated: "estimated" };

export class Marks {
  constructor(box, bench) {
    Object.assign(this, { box, bench });
  }

  show() {
    const { landmarks, names } = this.bench.state;
    const there = new Set(landmarks.map((mark) => mark.name));
    const rows = landmarks.map((mark) => this.row(mark, names.find((name) => name.name === mark.name)));
    const missing = names.filter((name) => !there.has(name.name));
    const listed = missing.map((name) => name.name).join();
    if (this.listed !== listed) this.added = this.adding(missing);
    this.listed = listed;
    this.box.replaceChildren(
      el("table", { class: "marks" }, el("thead", {}, el("tr", {}, ...["landmark", "level", "angle", "known", ""].map((w) => el("th", { scope: "col" }, w)))), el("tbody", {}, ...rows)),
      this.added,
    );
  }

  row(mark, name) {
    const changed = mark.name in (this.bench.state.overlay.landmarks ?? {});
    const known = mark.absent ? "absent" : `${KNOWN[mark.source] ?? mark.source}${mark.source === "estimated" ? `, \u00b1${Math.ceil(mark.uncertainty_mm)} mm` : ""}`;
    const send = (place) => this.bench.change("/api/landmark", { name: mark.name, place });
    const acts = [
      button(name?.line ? "Draw anew" : "Move", () => this.bench.placeMark(mark.name, name?.line ?? mark.points.length > 1), { id: `move-${mark.name}` }),
      ["estimated", "mark"].includes(mark.source) ? button("Accept", () => send("accept"), { id: `accept-${mark.name}` }) : null,
      changed ? button("As it was", () => send("as-was"), { id: `was-${mark.name}` }) : null,
    ];
    return el("tr", { class: `${mark.source}${mark.needed ? " needed" : ""}` },
      el("th", { scope: "row", title: name?.says ?? "" }, mark.name),
      el("td", {}, mm(mark.level_mm, 0)), el("td", {}, mark.angle_deg === null ? "\u2013" : `${mm(Math.round(mark.angle_deg) % 360, 0)}\u00b0`),
      el("td", {}, known), el("td", { class: "acts" }, ...acts));
  }

  adding(missing) {
    const choice = el("select", { id: "new-mark" }, ...missing.map((name) => el("option", { value: name.name }, `${name.name}: ${name.says}`)), el("option", { value: "" }, "a mark of your own\u2026"));
    const own = el("input", { type: "text", id: "own-mark", placeholder: "mark-scar", pattern: "mark-[a-z0-9]+(-[a-z0-9]+)*", hidden: missing.length > 0, "aria-label": "name of the mark" });
    choice.addEventListener("change", () => {
      own.hidden = choice.value !== "";
    });
    const place = (line) => {
      const name = choice.value || own.value.trim();
      const known = this.bench.state.names.find((one) => one.name === name);
      if (name) this.bench.placeMark(name, line || (known?.line ?? false));
    };
    return el("div", { class: "adding" }, el("label", {}, "not marked yet ", choice), own, button("Place", () => place(false), { id: "place-mark" }),
      button("Draw as a line", () => place(true), { id: "line-mark" }));
  }
}
