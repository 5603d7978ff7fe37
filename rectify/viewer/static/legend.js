// The colour scale beside the picture, in mm, zero in the middle: HTML of its own, so that it can stand anywhere.

/** An element with the scale; as the payload's head gives it. */
export function legendOf({ top_mm: top, stops, ends: [less, more] }) {
  const box = document.createElement("div");
  box.className = "rv-legend";
  const bar = document.createElement("div");
  bar.className = "rv-bar";
  const colours = stops.map((rgb, i) => `rgb(${rgb.join(" ")}) ${((100 * i) / (stops.length - 1)).toFixed(1)}%`);
  bar.style.background = `linear-gradient(to right, ${colours.join(", ")})`;
  const step = top <= 4 ? 1 : top <= 10 ? 2 : 5;
  const marks = [];
  for (let mm = -Math.floor(top / step) * step; mm <= top; mm += step) marks.push(mm);
  for (const mm of marks) {
    const mark = document.createElement("span");
    mark.className = "rv-tick";
    mark.style.left = `${((100 * (mm + top)) / (2 * top)).toFixed(2)}%`;
    mark.textContent = (mm > 0 ? "+" : mm < 0 ? "\u2212" : "") + Math.abs(mm);
    bar.append(mark);
  }
  const ends = [less, "mm", more].map((word) => {
    const end = document.createElement("span");
    end.textContent = word;
    return end;
  });
  const words = document.createElement("div");
  words.className = "rv-ends";
  words.append(...ends);
  box.append(bar, words);
  return box;
}
