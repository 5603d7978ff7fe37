// Where a level plane cuts a surface: lines to draw. No figure is taken from them: figures come with the payload.

/**
 * The outlines at a level: an array of { points: Float32Array (x, y, z, ...), closed }.
 *
 * A corner exactly on the level counts as above it, as in the engine, so that no piece is degenerate.
 */
export function sectionAt(positions, faces, level) {
  const z = -level;
  const next = new Map(); // the edge a piece starts on -> { end edge, place of the start }
  for (let f = 0; f < faces.length; f += 3) {
    const a = faces[f];
    const b = faces[f + 1];
    const c = faces[f + 2];
    const ha = positions[3 * a + 2] >= z;
    const hb = positions[3 * b + 2] >= z;
    const hc = positions[3 * c + 2] >= z;
    if (ha === hb && hb === hc) continue;
    const down = ha && !hb ? [a, b] : hb && !hc ? [b, c] : [c, a];
    const up = hb && !ha ? [a, b] : hc && !hb ? [b, c] : [c, a];
    next.set(edgeKey(down), {
      to: edgeKey(up),
      start: crossing(positions, down, z),
      end: crossing(positions, up, z),
    });
  }
  return chained(next);
}

function edgeKey([a, b]) {
  return a < b ? a * 67108864 + b : b * 67108864 + a;
}

function crossing(positions, [a, b], z) {
  const za = positions[3 * a + 2];
  const share = (z - za) / (positions[3 * b + 2] - za);
  return [
    positions[3 * a] + share * (positions[3 * b] - positions[3 * a]),
    positions[3 * a + 1] + share * (positions[3 * b + 1] - positions[3 * a + 1]),
    z,
  ];
}

function chained(next) {
  const arrived = new Set();
  for (const piece of next.values()) arrived.add(piece.to);
  const starts = [...next.keys()].filter((key) => !arrived.has(key)); // loose ends first: an open section
  const lines = [];
  const follow = (key) => {
    const points = [];
    let piece = next.get(key);
    let last = null;
    let at = key;
    while (piece) {
      next.delete(at);
      points.push(...piece.start);
      last = piece;
      at = piece.to;
      piece = next.get(at);
    }
    const closed = at === key;
    points.push(...(closed ? points.slice(0, 3) : last.end));
    lines.push({ points: new Float32Array(points), closed });
  };
  starts.forEach(follow);
  while (next.size) follow(next.keys().next().value);
  return lines;
}
