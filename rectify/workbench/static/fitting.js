// After the fitting: seat and socks first, then rotation, then single places; and what might be tried, as proposals with
// a reason and a source that somebody has to accept.

import { get } from "./api.js";
import { button, el, field } from "./dom.js";

const STEPS = [
  ["1. Seat and socks", ["seated-deep", "seated-high", "sock-ply", "pistoning"]],
  ["2. Rotation and alignment", ["rotation"]],
  ["3. Places, only then", ["redness", "blanching", "pain", "gap", "other"]],
];
const WORDS = {
  "seated-deep": "sits too deep", "seated-high": "sits too high", "sock-ply": "sock ply worn", pistoning: "moves up and down",
  rotation: "turned, or turns", redness: "redness", blanching: "blanching", pain: "pain", gap: "a gap", other: "something else",
};

export class Fitting {
  constructor(box, bench) {
    Object.assign(this, { box, bench });
  }

  /** The form is made once, so that nothing that somebody is choosing is lost. */
  show() {
    const { findings = [] } = this.bench.state.overlay;
    if (!this.list) this.make();
    const places = [...new Set([...this.bench.state.regions, ...this.bench.state.landmarks].map(({ name }) => name))];
    if (this.places?.join() !== places.join()) {
      const kept = this.where.value;
      this.where.replaceChildren(el("option", { value: "" }, "where"), ...places.map((name) => el("option", { value: name }, name)));
      this.where.value = places.includes(kept) ? kept : "";
      this.places = places;
    }
    const take = (i) => button("Take out", () => this.send(findings.filter((_, j) => j !== i)), { id: `out-${i}` });
    this.list.replaceChildren(...(findings.length ? [el("h3", {}, "Found"), el("ul", {}, ...findings.map((finding, i) => el("li", {}, spoken(finding), " ", take(i))))] : [el("p", { class: "small" }, "Nothing found yet.")]));
    if (findings.length) this.ask();
    else this.proposals.replaceChildren();
  }

  make() {
    this.list = el("div");
    this.proposals = el("div", { id: "proposals", "aria-live": "polite" });
    this.box.replaceChildren(...STEPS.map(([title, kinds]) => this.step(title, kinds)), this.list, this.proposals);
  }

  step(title, kinds) {
    const kind = el("select", { "aria-label": title }, ...kinds.map((one) => el("option", { value: one }, WORDS[one])));
    const where = el("select", { "aria-label": "where" }, el("option", { value: "" }, "where"));
    const minutes = el("input", { type: "number", min: 0, max: 1440, "aria-label": "for how many minutes", placeholder: "min" });
    const ply = el("input", { type: "number", min: 0, max: 20, "aria-label": "ply", placeholder: "ply" });
    const note = el("input", { type: "text", maxlength: 300, "aria-label": "note", placeholder: "note" });
    const local = kinds.includes("pain");
    if (local) this.where = where;
    const add = () => {
      const finding = { kind: kind.value };
      if (where.value) finding.where = where.value;
      if (minutes.value) finding.minutes = Number(minutes.value);
      if (ply.value && kind.value === "sock-ply") finding.ply = Number(ply.value);
      if (note.value.trim()) finding.note = note.value.trim();
      for (const input of [minutes, ply, note]) input.value = "";
      this.send([...(this.bench.state.overlay.findings ?? []), finding]);
    };
    return el("div", { class: "step-of" }, el("h3", {}, title),
      el("div", { class: "line" }, kind, local ? where : null, local ? minutes : null, kinds.includes("sock-ply") ? ply : null, note, button("Note it", add)));
  }

  send(findings) {
    this.bench.change("/api/findings", { findings });
  }

  async ask() {
    const proposals = (await get("/api/proposals")) ?? [];
    const made = proposals.map((proposal) => el("li", { class: `proposal ${proposal.step}` }, el("p", {}, el("strong", {}, proposal.says)),
      el("p", { class: "small" }, `${proposal.why} (${proposal.source})`), this.taking(proposal)));
    this.proposals.replaceChildren(el("h3", {}, "What might be tried, in this order"), el("ol", {}, ...made));
  }

  taking({ change, why }) {
    if (change.region) {
      const kept = this.bench.changeOf(change.region) ?? {};
      return button("Take this up", () => this.bench.changeRegion(change.region, { ...kept, amount: change.amount, why: why.slice(0, 300) }));
    }
    if (change.overall) {
      const { rows } = this.bench.state.overall;
      const percents = rows.map((row) => Math.min(row.allow?.[1] ?? 25, row.percent + change.overall));
      return button("Take this up", () => this.bench.change("/api/overall", { change: { percents, why: why.slice(0, 300) } }));
    }
    return null;
  }
}

function spoken({ kind, where, minutes, ply, note }) {
  return [WORDS[kind], where && `at ${where}`, minutes !== undefined && `for ${minutes} min`, ply !== undefined && `${ply} ply`, note].filter(Boolean).join(", ");
}
