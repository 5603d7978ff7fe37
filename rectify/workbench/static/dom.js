// Small means to make elements and to write figures: real minus signs, one decimal, and no markup from data.

/** An element: attributes, listeners as `onclick`, children as nodes or text. */
export function el(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (key in made && key !== "list" && typeof value !== "string") made[key] = value;
    else made.setAttribute(key, value === true ? "" : value);
  }
  made.append(...children.filter((child) => child !== null && child !== undefined && child !== false));
  return made;
}

export const byId = (id) => document.getElementById(id);

export function mm(value, digits = 1) {
  if (value === null || value === undefined || Number.isNaN(value)) return "\u2013";
  return value.toFixed(digits).replace("-", "\u2212").replace(/^\u2212(0\.?0*)$/, "$1");
}

export function signed(value, digits = 1) {
  const text = mm(value, digits);
  return value > 0 && Number(value.toFixed(digits)) !== 0 ? `+${text}` : text;
}

/** `2` and `change`: "2 changes". */
export const counted = (count, word) => `${count} ${word}${count === 1 ? "" : "s"}`;

export const button = (text, act, attributes = {}) => el("button", { type: "button", onclick: act, ...attributes }, text);

/** A labelled control. */
export function field(text, control, unit = "") {
  return el("label", { class: "field" }, el("span", {}, text), control, unit ? el("span", { class: "unit" }, unit) : null);
}
