// The wall and the end: the overall reduction row by row, and what is done to the distal end.

import { button, el, field, mm } from "./dom.js";

export class Wall {
  constructor(box, bench) {
    Object.assign(this, { box, bench });
  }

  show() {
    const { overall, end, overlay } = this.bench.state;
    this.box.replaceChildren(
      overall ? this.overall(overall, overlay.overall) : el("p", {}, "The rulebook has no overall reduction."),
      end ? this.end(end, overlay.end) : el("p", {}, "Nothing is done to the end."),
    );
  }

  overall({ basis, holds, rows }, change) {
    const percents = rows.map((row) => row.percent);
    const send = (index, value) => {
      const now = percents.map((percent, i) => (i === index ? value : percent));
      const same = now.every((percent, i) => Math.abs(percent - rows[i].base_percent) < 1e-9);
      this.bench.change("/api/overall", { change: same ? null : { percents: now, why: change?.why ?? "" } });
    };
    const lines = rows.map((row, i) => {
      const [least, most] = row.allow ?? [0, 25];
      const figure = el("input", { type: "number", min: least, max: most, step: 0.1, value: Number(row.percent.toFixed(2)).toString(), id: `row-${i}`, "aria-label": `reduction at level ${mm(row.level_mm, 0)} mm, percent` });
      figure.addEventListener("change", () => send(i, Number(figure.value)));
      return el("tr", {}, el("th", { scope: "row" }, mm(row.level_mm, 0)), el("td", {}, row.at), el("td", {}, figure, " %"),
        el("td", { class: "small" }, row.allow ? `${mm(least)} to ${mm(most)}` : ""));
    });
    const head = el("tr", {}, ...["level, mm", "at", "reduced", "allowed, %"].map((word) => el("th", { scope: "col" }, word)));
    return el("div", {}, el("h3", {}, "Overall reduction"),
      el("p", { class: "small" }, `by ${basis}, true ${holds === "finished" ? "in the finished model" : "before the regions"}`),
      el("table", {}, el("thead", {}, head), el("tbody", {}, ...lines)),
      change ? this.reason("/api/overall", change, { percents: change.percents }) : null);
  }

  end({ kind, amount_mm: amount, rulebook_mm: rulebook, from_level_mm: from }, change) {
    const figure = el("input", { type: "number", min: 0, max: 40, step: 0.5, value: Number(amount.toFixed(2)).toString(), id: "end-mm" });
    figure.addEventListener("change", () => this.bench.change("/api/end", { change: { amount: Number(figure.value), why: change?.why ?? "" } }));
    const word = kind === "lengthen" ? "lengthened by" : "room for a pad of";
    return el("div", {}, el("h3", {}, "Distal end"), field(word, figure, "mm"),
      el("p", { class: "small" }, `rulebook ${mm(rulebook)} mm, from level ${mm(from, 0)} mm`),
      change ? this.reason("/api/end", change, { amount: change.amount }) : null);
  }

  reason(path, change, rest) {
    const why = el("input", { type: "text", maxlength: 300, value: change.why ?? "", id: `why${path.replaceAll("/", "-")}`, placeholder: "in a few words" });
    why.addEventListener("change", () => this.bench.change(path, { change: { ...rest, why: why.value.trim() } }));
    return el("div", { class: "reason" }, field("why", why), button("As the version has it", () => this.bench.change(path, { change: null })));
  }
}
