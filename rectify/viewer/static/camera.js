// The eye: it turns about a limb that stands upright, and draws to scale (parallel projection, so that a millimetre
// near is a millimetre far). Angles are the chart's: 0 from the front, 90 from the lateral side, on either limb.

const SIDES = { anterior: [0, 0], lateral: [90, 0], posterior: [180, 0], medial: [270, 0], end: [0, -90] };
const MOST_ZOOM = 12;
const TURN_MS = 260;

/** The names that `look` takes. */
export const SIDE_NAMES = Object.keys(SIDES);

/** Where the eye is, and how places of the limb come to lie on the picture. */
export class Camera {
  constructor(lateral) {
    this.lateral = lateral;
    this.angle = 25;
    this.rise = 8;
    this.zoom = 1;
    this.shift = [0, 0]; // of the picture's middle, mm, in the picture's own right and up
    this.turning = false;
    this.size = [1, 1];
    this.centre = [0, 0, 0];
    this.reach = [1, 1];
  }

  /** Fit a box of the limb frame, so that it is whole in the picture from every side. */
  fit(low, high) {
    this.centre = low.map((value, i) => (value + high[i]) / 2);
    const across = Math.hypot(high[0] - low[0], high[1] - low[1]);
    this.reach = [Math.max(across, 1), Math.max(high[2] - low[2], across * 0.75, 1)];
    this.round = Math.max(high[0] - low[0], high[1] - low[1], 1);
    this.depth = Math.hypot(across, high[2] - low[2]);
  }

  resize(width, height) {
    this.size = [Math.max(width, 1), Math.max(height, 1)];
  }

  /** Pixels per mm. */
  get scale() {
    return 0.9 * this.zoom * Math.min(this.size[0] / this.reach[0], this.size[1] / this.reach[1]);
  }

  /** Unit vectors of the limb frame: to the picture's right, up, and toward the eye. */
  get basis() {
    const a = (this.angle * Math.PI) / 180;
    const e = (this.rise * Math.PI) / 180;
    const side = this.lateral * Math.sin(a);
    const front = Math.cos(a);
    const toward = [side * Math.cos(e), front * Math.cos(e), Math.sin(e)];
    const up = [-side * Math.sin(e), -front * Math.sin(e), Math.cos(e)];
    const right = [
      up[1] * toward[2] - up[2] * toward[1],
      up[2] * toward[0] - up[0] * toward[2],
      up[0] * toward[1] - up[1] * toward[0],
    ];
    return { right, up, toward };
  }

  /** The middle of the picture, in the limb frame. */
  get target() {
    const { right, up } = this.basis;
    return this.centre.map((value, i) => value + right[i] * this.shift[0] + up[i] * this.shift[1]);
  }

  /** A projector for many points: (x, y, z) -> [pixels right, pixels down, mm toward the eye]. */
  projector() {
    const { right, up, toward } = this.basis;
    const [cx, cy, cz] = this.target;
    const scale = this.scale;
    const [w, h] = this.size;
    return (x, y, z) => {
      const dx = x - cx;
      const dy = y - cy;
      const dz = z - cz;
      return [
        w / 2 + scale * (dx * right[0] + dy * right[1] + dz * right[2]),
        h / 2 - scale * (dx * up[0] + dy * up[1] + dz * up[2]),
        dx * toward[0] + dy * toward[1] + dz * toward[2],
      ];
    };
  }

  /** Stand at a named side at once. */
  stand(name) {
    [this.angle, this.rise] = SIDES[name];
    this.zoom = this.whole(name);
    this.shift = [0, 0];
  }

  /** The zoom at which the whole limb fills the picture from a side: from the end it is smaller than it is long. */
  whole(name) {
    if (name !== "end") return 1;
    const all = Math.min(this.size[0] / this.reach[0], this.size[1] / this.reach[1]);
    return Math.min(2.5, Math.max(1, (0.85 * Math.min(...this.size)) / (this.round * all)));
  }

  turn(byAngle, byRise) {
    this.angle = (((this.angle + byAngle) % 360) + 360) % 360;
    this.rise = Math.min(90, Math.max(-90, this.rise + byRise));
  }

  /** Zoom about a place of the picture, which stays where it is. */
  zoomBy(factor, x = this.size[0] / 2, y = this.size[1] / 2) {
    const before = this.scale;
    this.zoom = Math.min(MOST_ZOOM, Math.max(0.5, this.zoom * factor));
    const gain = 1 / before - 1 / this.scale;
    this.shift = [this.shift[0] + (x - this.size[0] / 2) * gain, this.shift[1] - (y - this.size[1] / 2) * gain];
  }

  pan(dx, dy) {
    this.shift = [this.shift[0] - dx / this.scale, this.shift[1] + dy / this.scale];
  }

  /** Which of the four sides lies to the picture's right, or "" between two. */
  get rightIs() {
    const { right } = this.basis;
    if (Math.hypot(right[0], right[1]) < 0.9) return "";
    const angle = (Math.atan2(this.lateral * right[0], right[1]) * 180) / Math.PI;
    const name = ["anterior", "lateral", "posterior", "medial"][(Math.round(angle / 90) + 4) % 4];
    const off = Math.abs(angle / 90 - Math.round(angle / 90)) * 90;
    return off <= 30 ? name : "";
  }

  /** Go to a named side; `step` is called for every picture on the way, once where motion is not wanted. */
  look(name, step) {
    const [angle, rise] = SIDES[name];
    const from = { angle: this.angle, rise: this.rise, zoom: this.zoom, shift: this.shift };
    const zoom = this.whole(name);
    const ahead = ((angle - from.angle + 540) % 360) - 180;
    const place = (share) => {
      this.angle = (from.angle + ahead * share + 360) % 360;
      this.rise = from.rise + (rise - from.rise) * share;
      this.zoom = from.zoom + (zoom - from.zoom) * share;
      this.shift = from.shift.map((value) => value * (1 - share));
      step();
    };
    this.stop();
    if (matchMedia("(prefers-reduced-motion: reduce)").matches) {
      place(1);
      return;
    }
    this.turning = true;
    let started = null;
    const frame = (now) => {
      started ??= now;
      const share = Math.min(1, (now - started) / TURN_MS);
      this.turning = share < 1;
      place(share * share * (3 - 2 * share));
      if (share < 1) this.moving = requestAnimationFrame(frame);
    };
    this.moving = requestAnimationFrame(frame);
  }

  /** Stop where it is. */
  stop() {
    this.turning = false;
    cancelAnimationFrame(this.moving);
  }
}
