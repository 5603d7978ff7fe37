// How the shape follows the hand: the lines along which vertices go for each mm of a region's amount, and the shape
// they give. The engine's own result takes its place when the hand lets go.

import { getBytes } from "./api.js";

/** The lines of one region, as `rectify.workbench.hand` writes them. */
export function readLines(buffer) {
  const count = new DataView(buffer).getUint32(0, true);
  return {
    at: new Uint32Array(buffer, 4, count),
    lines: new Float32Array(buffer, 4 + 4 * count, 3 * count),
    moves: new Float32Array(buffer, 4 + 16 * count, count),
  };
}

export class Hand {
  constructor() {
    this.took = []; // ms a step took, newest last
    this.forget();
  }

  /** Another shape stands: what is known of regions is of the old one. */
  forget() {
    this.known = new Map();
    this.base = null;
  }

  /** Take hold of a region: its lines are fetched once for each shape. */
  async hold(name) {
    const known = this.known;
    if (!known.has(name)) known.set(name, getBytes(`/api/hand/${encodeURIComponent(name)}`).then(readLines, () => null));
    return known.get(name);
  }

  /** The view with a region's amount changed by so many mm from what the engine made; false where lines are missing. */
  follow(viewer, lines, change) {
    if (!lines) return false;
    const began = performance.now();
    const { payload } = viewer;
    this.base ??= { positions: payload.rectified.slice(), moves: payload.moves.slice() };
    const positions = this.base.positions.slice();
    const moves = this.base.moves.slice();
    lines.at.forEach((vertex, i) => {
      positions[3 * vertex] += change * lines.lines[3 * i];
      positions[3 * vertex + 1] += change * lines.lines[3 * i + 1];
      positions[3 * vertex + 2] += change * lines.lines[3 * i + 2];
      moves[vertex] += change * lines.moves[i];
    });
    viewer.setPositions(positions, moves);
    this.took.push(performance.now() - began);
    if (this.took.length > 500) this.took.shift();
    return true;
  }
}
