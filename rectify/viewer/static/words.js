// Figures as people read them: a true minus sign, no minus before a zero, a dash for what is not there.

/** A number to a tenth; a dash for null. */
export function number(value) {
  return value === null ? "\u2013" : tidy(value.toFixed(1));
}

/** The same with a plus before what is above zero. */
export function signed(value) {
  const shown = number(value);
  return value > 0 && shown !== "0.0" ? `+${shown}` : shown;
}

/** A whole number. */
export function whole(value) {
  return tidy(value.toFixed(0));
}

/** What the pointer is on: how far it moved, which region, where. */
export function spoken({ level_mm: level, angle_deg: angle, move_mm: move, region }) {
  const where = `level ${whole(level)} mm, ${Math.round(angle) % 360}\u00b0`;
  return `${signed(move)} mm${region ? `  ${region}` : ""}  (${where})`;
}

/** The figures of a level, before and after, in one line. */
export function figures(row) {
  const said = [
    ["circumference", "circumference"],
    ["AP", "ap"],
    ["ML", "ml"],
  ].map(([word, key]) => `${word} ${number(row[`${key}_before_mm`])} \u2192 ${number(row[`${key}_after_mm`])}`);
  return `level ${whole(row.level_mm)} mm:  ${said.join(",  ")}`;
}

function tidy(text) {
  return (Number(text) === 0 ? text.replace("-", "") : text).replace("-", "\u2212");
}
