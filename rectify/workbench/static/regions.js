// The regions: a list of all, and under the chosen one everything of it that may be changed, with the rulebook's value
// marked and `allow` as the range. What is dragged follows the hand; what is let go goes to the engine.

import { button, el, field, mm, signed } from "./dom.js";

const WORDS = { reduce: "reduction", "build-up": "build-up" };
const WIDEST_MM = 20;

export class Regions {
  /** `bench` gives: state, found, overlay(name), choose(name), change(path, body), drag(name, amount_mm), draw(). */
  constructor(box, bench) {
    Object.assign(this, { box, bench });
  }

  show() {
    const { state, chosen } = this.bench;
    const rows = state.regions.map((region) => this.row(region, region.name === chosen));
    const focus = document.activeElement?.id;
    this.box.replaceChildren(
      el("ul", { class: "list" }, ...rows),
      button("Draw a region by hand\u2026", () => this.bench.draw(), { id: "draw-region" }),
    );
    if (focus && this.box.querySelector(`#${CSS.escape(focus)}`)) this.box.querySelector(`#${CSS.escape(focus)}`).focus();
  }

  row(region, chosen) {
    const changed = this.bench.changeOf(region.name) || this.bench.isDrawn(region.name);
    const found = this.bench.found?.regions?.[region.name];
    const sign = region.action === "build-up" ? 1 : -1;
    const head = button("", () => this.bench.choose(chosen ? null : region.name), {
      class: "row", "aria-expanded": String(chosen), id: `region-${region.name}`,
    });
    head.append(
      el("span", { class: `kind ${region.action}`, "aria-hidden": "true" }),
      el("span", { class: "name" }, region.name),
      el("span", { class: "mark" }, changed ? "changed" : ""),
      el("span", { class: "amount" }, region.on ? `${signed(sign * region.amount_mm)} mm` : "left out"),
    );
    const warned = found?.backed_off ? el("p", { class: "look" }, `achieved ${mm(found.achieved_mm, 2)} mm of it at its core`) : null;
    return el("li", { class: chosen ? "chosen" : "" }, head, chosen ? this.editor(region, found) : warned);
  }

  editor(region, found) {
    const change = this.bench.changeOf(region.name) ?? {};
    const send = (more) => this.bench.changeRegion(region.name, { ...change, ...more });
    const drawn = this.bench.isDrawn(region.name);
    const parts = [];
    if (drawn) parts.push(button("Take this drawn region away", () => this.bench.change("/api/drawn", { name: region.name, drawn: null })));
    else {
      const box = el("input", { type: "checkbox", checked: region.on, id: `on-${region.name}`, onchange: () => send({ off: !box.checked }) });
      parts.push(el("label", { class: "tick" }, box, " carried out"));
    }
    if (region.on && !drawn) parts.push(this.amount(region, change, send), ...this.sizes(region, change, send), this.place(region, change, send));
    if (!drawn && this.bench.changeOf(region.name)) parts.push(this.reason(region, change, send));
    parts.push(this.said(region, found));
    return el("div", { class: "editor" }, ...parts);
  }

  amount(region, change, send) {
    const [least, most] = region.allow_mm ?? [0, Math.max(15, 2 * region.base_mm)];
    const low = change.beyond !== undefined && change.beyond !== null ? 0 : least;
    const high = change.beyond !== undefined && change.beyond !== null ? Math.max(most, WIDEST_MM) : most;
    const name = `amount-${region.name}`;
    const slider = el("input", { type: "range", min: low, max: high, step: 0.1, value: String(region.amount_mm), id: name, list: `${name}-marks` });
    const figure = el("input", { type: "number", min: low, max: high, step: 0.1, value: region.amount_mm.toFixed(2).replace(/\.?0+$/, ""), id: `${name}-mm`, "aria-label": `amount of ${region.name}, mm` });
    const marks = el("datalist", { id: `${name}-marks` }, el("option", { value: String(region.rulebook_mm) }));
    slider.addEventListener("input", () => {
      figure.value = slider.value;
      this.bench.drag(region, Number(slider.value));
    });
    const settle = (value) => send({ amount: Math.abs(value - region.base_mm) < 1e-9 ? null : value });
    slider.addEventListener("change", () => settle(Number(slider.value)));
    figure.addEventListener("change", () => settle(Number(figure.value)));
    const bounds = region.allow_mm ? `allowed ${mm(least)} to ${mm(most)} mm` : "the rulebook says no range";
    return el("div", { class: "amount-of" },
      field(`${WORDS[region.action]}`, figure, "mm"), slider, marks,
      el("p", { class: "small" }, `rulebook ${mm(region.rulebook_mm)} mm; ${bounds}`),
      region.allow_mm ? this.beyond(region, change, send) : null,
    );
  }

  beyond(region, change, send) {
    const open = change.beyond !== undefined && change.beyond !== null;
    const why = el("input", { type: "text", maxlength: 300, value: change.beyond ?? "", id: `beyond-${region.name}`, placeholder: "why the range may be passed" });
    why.addEventListener("change", () => send({ beyond: why.value.trim() || null }));
    return el("details", { class: "small", open }, el("summary", {}, "go past what is allowed"), why);
  }

  sizes(region, change, send) {
    const out = [this.length("feather", region.feather_mm, `feather-${region.name}`, (value) =>
      send({ feather: Math.abs(value - region.base_feather_mm) < 1e-9 ? null : value }), { least: 1 })];
    const extents = { oval: [["along", "along the limb"], ["around", "round the limb"]], strip: [["width", "width"]] }[region.shape.kind] ?? [];
    for (const [key, word] of extents) {
      const base = region.base_shape[`${key}_mm`];
      out.push(this.length(word, region.shape[`${key}_mm`], `${key}-${region.name}`, (value) =>
        send({ [key]: Math.abs(value - base) < 1e-6 ? null : Number((value - base).toFixed(3)) }), { least: 4 }));
    }
    return out;
  }

  length(word, value, id, settle, { least }) {
    const figure = el("input", { type: "number", min: least, max: 300, step: 1, value: Number(value.toFixed(1)).toString(), id });
    figure.addEventListener("change", () => settle(Number(figure.value)));
    return field(word, figure, "mm");
  }

  place(region, change, send) {
    const move = (key, step) => send({ [key]: Number(((change[key] ?? 0) + step).toFixed(2)) || null });
    const at = `level ${mm(region.anchor.level_mm, 0)} mm, ${mm(Math.round(region.anchor.angle_deg) % 360, 0)}\u00b0`;
    const step = (key, by, text) => button(text, () => move(key, by), { id: `${key}${by}-${region.name}`, class: "step" });
    return el("div", { class: "place", role: "group", "aria-label": `place of ${region.name}` },
      el("span", { class: "small" }, `at ${at}`),
      step("distal", -1, "proximal 1 mm"), step("distal", 1, "distal 1 mm"),
      step("round", -1, "\u2212 round 1 mm"), step("round", 1, "+ round 1 mm"));
  }

  reason(region, change, send) {
    const why = el("input", { type: "text", maxlength: 300, value: change.why ?? "", id: `why-${region.name}`, placeholder: "in a few words" });
    why.addEventListener("change", () => send({ why: why.value.trim() }));
    return el("div", { class: "reason" }, field("why", why),
      button("As the version has it", () => this.bench.changeRegion(region.name, null), { id: `reset-${region.name}` }));
  }

  said(region, found) {
    const lines = [];
    if (found) {
      lines.push(`asked ${mm(found.asked_mm, 2)}, achieved ${mm(found.achieved_mm, 2)}, peak ${signed(found.peak_mm, 2)} mm`);
      lines.push(`${mm(found.area_mm2 / 100, 1)} cm\u00b2, ${signed(found.volume_ml)} ml${found.overlaps?.length ? `; overlaps ${found.overlaps.join(", ")}` : ""}`);
    }
    if (region.anchor.source === "estimated") lines.push(`its landmark is estimated, give or take ${Math.ceil(region.anchor.uncertainty_mm)} mm`);
    if (region.why) lines.push(`${region.why} (${region.evidence || "no evidence said"})`);
    for (const t of region.tuned) lines.push(t.by === "not-saved" ? `${t.text}: not saved yet` : `${t.text}, by ${t.by}${t.on ? ` on ${t.on}` : ""}: ${t.why}`);
    return el("ul", { class: "small said" }, ...lines.map((line) => el("li", {}, line)));
  }
}
