// Which lines are drawn on the limb, and with what: the pencil's violet for outlines, ink for the section.

import { spotPoints } from "./spots.js";

const PENCIL = [0.353, 0.165, 0.525, 1];
const INK = [0.125, 0.149, 0.169, 1];
const SOFT = [0.125, 0.149, 0.169, 0.75];
const HALO = [1, 1, 1, 0.7];

const DASHES = { "build-up": 0, reduce: 6 }; // mm; what forms a wall has longer ones
const FORMED = 11;

/** Outlines on these positions, each by what is done there, and the trimline. */
export function outlineLines(payload, positions, chosen) {
  const { head } = payload;
  const lines = [];
  for (const { region, first, count } of head.outlines) {
    const { name, action } = head.regions[region];
    const points = spotPoints(payload, positions, first, count);
    const thick = name === chosen;
    lines.push({ points, colour: HALO, width: thick ? 7 : 4, dash: 0 });
    lines.push({ points, colour: PENCIL, width: thick ? 4 : 2, dash: DASHES[action] ?? FORMED });
  }
  if (head.trimline) {
    const points = spotPoints(payload, positions, head.trimline.first, head.trimline.count);
    lines.push({ points, colour: INK, width: 1.6, dash: 9 });
  }
  return lines;
}

/** The section's own outline, and dashed the other surface's. */
export function ringLines(front, behind) {
  return [
    ...behind.map(({ points }) => ({ points, colour: SOFT, width: 1.4, dash: 4 })),
    ...front.map(({ points }) => ({ points, colour: HALO, width: 5, dash: 0 })),
    ...front.map(({ points }) => ({ points, colour: INK, width: 2.4, dash: 0 })),
  ];
}
