// What lies under the pointer: the nearest face there, and where in it. With a parallel projection every vertex is
// laid on the picture once per view, and a question is then one pass over the faces in the plane.

/** A surface laid on the picture. */
export class Picker {
  constructor(faces) {
    this.faces = faces;
    this.flat = null;
  }

  /** Lay the vertices down; to be called when the view or the positions have changed. */
  lay(positions, project) {
    if (!this.flat || this.flat.length !== positions.length) this.flat = new Float32Array(positions.length);
    for (let i = 0; i < positions.length; i += 3) {
      const [x, y, near] = project(positions[i], positions[i + 1], positions[i + 2]);
      this.flat[i] = x;
      this.flat[i + 1] = y;
      this.flat[i + 2] = near;
    }
  }

  /** The nearest face at a place of the picture: { corners, weights, near }, or null beside the surface. */
  at(x, y) {
    const { flat, faces } = this;
    let found = null;
    let best = -Infinity;
    for (let f = 0; f < faces.length; f += 3) {
      const a = 3 * faces[f];
      const b = 3 * faces[f + 1];
      const c = 3 * faces[f + 2];
      const ax = flat[a] - x;
      const bx = flat[b] - x;
      const cx = flat[c] - x;
      if ((ax > 0 && bx > 0 && cx > 0) || (ax < 0 && bx < 0 && cx < 0)) continue;
      const ay = flat[a + 1] - y;
      const by = flat[b + 1] - y;
      const cy = flat[c + 1] - y;
      const u = bx * cy - by * cx;
      const v = cx * ay - cy * ax;
      const w = ax * by - ay * bx;
      if (!((u >= 0 && v >= 0 && w >= 0) || (u <= 0 && v <= 0 && w <= 0))) continue;
      const whole = u + v + w;
      if (whole === 0) continue;
      const near = (u * flat[a + 2] + v * flat[b + 2] + w * flat[c + 2]) / whole;
      if (near > best) {
        best = near;
        found = { corners: [a / 3, b / 3, c / 3], weights: [u / whole, v / whole, w / whole], near };
      }
    }
    return found;
  }
}

/** A value per vertex at a place in a face. */
export function valueAt(values, { corners, weights }) {
  return weights[0] * values[corners[0]] + weights[1] * values[corners[1]] + weights[2] * values[corners[2]];
}

/** A point at a place in a face. */
export function pointAt(positions, { corners, weights }) {
  return [0, 1, 2].map((k) => corners.reduce((sum, corner, i) => sum + weights[i] * positions[3 * corner + k], 0));
}
