// The versions: who saved what and why; any can be stood on again, compared with another, and taken out as files.

import { get, takeFile } from "./api.js";
import { button, counted, el, mm, signed } from "./dom.js";

const FILES = [["stl", "STL"], ["3mf", "3MF"], ["report", "report"], ["facts", "report as JSON"], ["plan", "plan"]];

export class Versions {
  constructor(box, bench) {
    Object.assign(this, { box, bench });
  }

  show() {
    const { state } = this.bench;
    const all = [{ number: 0, why: "the case as it was written" }, ...state.versions];
    const rows = all.toReversed().map((version) => this.row(version, version.number === state.base));
    const choice = (id, chosen) => el("select", { id, "aria-label": id === "compare-a" ? "from" : "to" }, ...all.map(({ number }) => el("option", { value: String(number), selected: number === chosen }, number ? `version ${number}` : "as written")));
    const last = all.at(-1).number;
    if (this.last !== last) {
      const [a, b] = [choice("compare-a", Math.max(0, last - 1)), choice("compare-b", last)];
      const act = button("Compare", () => this.compare(Number(a.value), Number(b.value)), { id: "compare" });
      this.choices = el("div", { class: "line" }, a, " against ", b, act);
      this.told = el("div", { id: "differences", "aria-live": "polite" });
    }
    this.last = last;
    this.box.replaceChildren(el("ul", { class: "list versions" }, ...rows), ...(all.length > 1 ? [this.choices] : []), this.told);
  }

  row({ number, by, on, why, from, changes }, here) {
    const head = number ? `version ${number}, ${by}, ${on}${from ? `, from version ${from}` : ""}` : "as written";
    return el("li", { class: here ? "chosen" : "" }, el("p", {}, el("strong", {}, head), here ? " (here)" : ""), el("p", { class: "small" }, number ? `${why}; ${counted(changes, "change")} in all` : why),
      el("div", { class: "acts" }, here ? null : button("Stand on it", () => this.bench.change("/api/back", { version: number }), { id: `back-${number}` }),
        ...FILES.map(([kind, word]) => button(word, () => this.take(number, kind), { id: `take-${kind}-${number}`, class: "file" }))));
  }

  async take(number, kind) {
    await this.bench.during("the file is being made", async () => {
      const name = await takeFile(number, kind);
      this.bench.tell(`${name} of ${number ? `version ${number}` : "the case as written"} was taken out`, "good");
    });
  }

  async compare(a, b) {
    await this.bench.during("both are being made", async () => this.tell(a, b, await get(`/api/compare?a=${a}&b=${b}`)));
  }

  tell(a, b, { regions, same_regions: same, volume, levels, apart }) {
    const word = (number) => (number ? `version ${number}` : "as written");
    const head = (...words) => el("thead", {}, el("tr", {}, ...words.map((w) => el("th", { scope: "col" }, w))));
    const figures = (row) => el("tr", {}, el("th", { scope: "row" }, row.name), el("td", {}, mm(row.asked_mm_a, 2)), el("td", {}, mm(row.asked_mm_b, 2)), el("td", {}, mm(row.achieved_mm_a, 2)), el("td", {}, mm(row.achieved_mm_b, 2)));
    const most = levels.toSorted((one, two) => Math.abs(two.b_mm - two.a_mm) - Math.abs(one.b_mm - one.a_mm)).slice(0, 5);
    this.told.replaceChildren(
      el("h3", {}, `${word(a)} against ${word(b)}`),
      el("p", {}, apart ? `Apart by ${mm(Math.abs(apart.largest_mm), 2)} mm at most (level ${apart.level_mm} mm, ${apart.angle_deg}\u00b0), ${mm(apart.mean_mm, 2)} mm in the mean; ${signed(volume.change_ml)} ml.` : `The landmarks lay elsewhere, so the two are not laid over each other; ${signed(volume.change_ml)} ml.`),
      el("p", { class: "small" }, "For scale: 0.25 mm in the mean is felt; two practitioners who rectify one cast differ by 1 to 2 mm."),
      regions.length ? el("table", {}, head("region", "asked", "asked", "achieved", "achieved"), el("tbody", {}, ...regions.map(figures))) : el("p", {}, "No region differs."),
      el("p", { class: "small" }, `${counted(same, "region")} the same.`),
      most.length ? el("table", {}, head("level, mm", "girth", "girth", "change"), el("tbody", {}, ...most.map((row) => el("tr", {}, el("th", { scope: "row" }, mm(row.level_mm, 0)), el("td", {}, mm(row.a_mm)), el("td", {}, mm(row.b_mm)), el("td", {}, signed(row.b_mm - row.a_mm)))))) : "");
  }
}
