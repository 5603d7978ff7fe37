// The unrolled map: the limb opened along the back and laid flat, anterior in the middle, proximal at the top, seen as
// one sees who faces its front. Which face lies under each pixel is worked out once for a captured surface; after that a
// change of the moves is a matter of colouring, so that the map follows the hand too.

const INK = "#20262b";
const PENCIL = "#5a2a86";
const MARGIN = { left: 34, right: 8, top: 18, bottom: 8 };

export class UnrolledMap {
  /** `onChoose(name)`, `onPlace({ station_mm, angle_deg })` are called by a click, the latter while placing. */
  constructor(canvas, { onChoose, onPlace }) {
    Object.assign(this, { canvas, onChoose, onPlace, chosen: null, placing: false, drawn: [] });
    canvas.addEventListener("click", (event) => this.click(event));
    canvas.addEventListener("keydown", (event) => this.key(event));
    new ResizeObserver(() => this.lay()).observe(canvas);
  }

  /** Another surface or other regions: `chart` is { centre_mm, centre_radius_mm }. */
  show(payload, chart) {
    const same = this.payload && this.payload.captured === payload.captured;
    Object.assign(this, { payload, chart });
    if (!same) this.places = placesOf(payload, chart);
    this.lay();
  }

  get regions() {
    return this.payload?.head.regions ?? [];
  }

  choose(name) {
    this.chosen = name;
    this.draw();
  }

  /** Places that are being drawn by hand: a ring not closed yet. */
  setDrawn(places) {
    this.drawn = places;
    this.draw();
  }

  // -- laying out ----------------------------------------------------------------------------------

  lay() {
    const { clientWidth: width, clientHeight: height } = this.canvas;
    if (!this.payload || !width || !height) return;
    const ratio = Math.min(window.devicePixelRatio || 1, 2);
    Object.assign(this.canvas, { width: Math.round(width * ratio), height: Math.round(height * ratio) });
    this.ratio = ratio;
    const { station } = this.places;
    this.low = Math.min(...extent(station));
    this.high = Math.max(...extent(station));
    this.box = [MARGIN.left, MARGIN.top, width - MARGIN.left - MARGIN.right, height - MARGIN.top - MARGIN.bottom];
    this.cells = [Math.round(this.box[2]), Math.round(this.box[3])];
    this.faceAt = rasterised(this.payload.faces, this.places, this.cells, this.low, this.high, this.flip);
    this.draw();
  }

  // a right limb's lateral side lies to the left of the middle, as when one faces the person
  get flip() {
    return this.payload.head.lateral > 0 ? -1 : 1;
  }

  /** Pixels of a place. */
  at(station, angle) {
    const [x, y, w, h] = this.box;
    const turn = ((((angle + 180) % 360) + 360) % 360) - 180;
    return [x + w * (0.5 + (this.flip * turn) / 360), y + (h * (station - this.low)) / (this.high - this.low)];
  }

  placeAt(px, py) {
    const [x, y, w, h] = this.box;
    const across = (px - x) / w;
    const down = (py - y) / h;
    if (across < 0 || across > 1 || down < 0 || down > 1) return null;
    const angle = (((across - 0.5) * 360 * this.flip) % 360 + 360) % 360;
    return { station_mm: this.low + down * (this.high - this.low), angle_deg: angle };
  }

  // -- drawing -------------------------------------------------------------------------------------

  draw() {
    if (!this.faceAt) return;
    const pen = this.canvas.getContext("2d");
    pen.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    pen.clearRect(0, 0, this.canvas.width, this.canvas.height);
    pen.drawImage(this.coloured(), this.box[0], this.box[1], this.box[2], this.box[3]);
    this.drawScale(pen);
    this.drawOutlines(pen);
    this.drawLevel(pen);
    this.drawRing(pen);
  }

  coloured() {
    const [w, h] = this.cells;
    this.sheet ??= document.createElement("canvas");
    Object.assign(this.sheet, { width: w, height: h });
    const pen = this.sheet.getContext("2d");
    const image = pen.createImageData(w, h);
    const { faces, moves, head } = this.payload;
    const { top_mm: top, stops } = head.scale;
    const { face, weights } = this.faceAt;
    for (let i = 0; i < face.length; i++) {
      if (face[i] < 0) continue;
      const f = 3 * face[i];
      const move = weights[2 * i] * moves[faces[f]] + weights[2 * i + 1] * moves[faces[f + 1]]
        + (1 - weights[2 * i] - weights[2 * i + 1]) * moves[faces[f + 2]];
      const t = Math.min(1, Math.max(0, (move / top + 1) / 2)) * (stops.length - 1);
      const k = Math.min(stops.length - 2, Math.floor(t));
      for (let c = 0; c < 3; c++) image.data[4 * i + c] = stops[k][c] + (t - k) * (stops[k + 1][c] - stops[k][c]);
      image.data[4 * i + 3] = 255;
    }
    pen.putImageData(image, 0, 0);
    return this.sheet;
  }

  drawScale(pen) {
    const [x, y, w, h] = this.box;
    pen.strokeStyle = INK;
    pen.lineWidth = 1;
    pen.strokeRect(x + 0.5, y + 0.5, w - 1, h - 1);
    pen.fillStyle = INK;
    pen.font = "11px system-ui, sans-serif";
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    for (let level = Math.ceil(this.low / 50) * 50; level <= this.high; level += 50) {
      const [, py] = this.at(level, 0);
      pen.fillText(String(level).replace("-", "\u2212"), x - 4, py);
      pen.fillRect(x, py, 4, 1);
    }
    pen.textAlign = "center";
    const words = this.flip > 0 ? ["medial", "anterior", "lateral"] : ["lateral", "anterior", "medial"];
    words.forEach((word, i) => pen.fillText(word, x + w * (0.25 + 0.25 * i), y - 9));
  }

  drawOutlines(pen) {
    const { head } = this.payload;
    for (const { region, first, count } of head.outlines) {
      const { name, action } = head.regions[region];
      const chosen = name === this.chosen;
      this.stroke(pen, this.spots(first, count), { colour: PENCIL, width: chosen ? 3 : 1.4, dash: action === "reduce" ? [5, 3] : [] });
    }
    const chosen = head.regions.find((region) => region.name === this.chosen);
    if (chosen) {
      const [px, py] = this.at(...this.spots(chosen.spot, 1)[0]);
      pen.font = "600 12px system-ui, sans-serif";
      pen.textAlign = px < this.box[0] + 60 ? "left" : px > this.box[0] + this.box[2] - 60 ? "right" : "center";
      pen.lineWidth = 3;
      pen.strokeStyle = "#fff";
      pen.strokeText(chosen.name, px, py);
      pen.fillStyle = PENCIL;
      pen.fillText(chosen.name, px, py);
    }
  }

  stroke(pen, places, { colour, width, dash = [] }) {
    pen.beginPath();
    let before = null;
    for (const [station, angle] of places) {
      const [px, py] = this.at(station, angle);
      if (before !== null && Math.abs(px - before) < this.box[2] / 2) pen.lineTo(px, py);
      else pen.moveTo(px, py);
      before = px;
    }
    pen.setLineDash([]);
    Object.assign(pen, { strokeStyle: "#ffffffb0", lineWidth: width + 2 });
    pen.stroke();
    pen.setLineDash(dash);
    Object.assign(pen, { strokeStyle: colour, lineWidth: width });
    pen.stroke();
    pen.setLineDash([]);
  }

  drawLevel(pen) {
    if (this.level === undefined) return;
    const [, py] = this.at(this.level, 0);
    pen.fillStyle = INK;
    pen.fillRect(this.box[0], py - 0.5, this.box[2], 1);
  }

  drawRing(pen) {
    const ring = this.drawn.length ? [...this.drawn, this.drawn[0]] : [];
    this.stroke(pen, ring.map((p) => [p.station_mm, p.angle_deg]), { colour: "#000", width: 2 });
    for (const { station_mm: station, angle_deg: angle } of this.drawn) {
      const [px, py] = this.at(station, angle);
      pen.fillStyle = "#000";
      pen.fillRect(px - 3, py - 3, 6, 6);
    }
    if (this.cross) {
      const [px, py] = this.at(this.cross.station_mm, this.cross.angle_deg);
      for (const [colour, width] of [["#fff", 5], ["#000", 2]]) {
        Object.assign(pen, { strokeStyle: colour, lineWidth: width });
        pen.beginPath();
        pen.moveTo(px - 8, py);
        pen.lineTo(px + 8, py);
        pen.moveTo(px, py - 8);
        pen.lineTo(px, py + 8);
        pen.stroke();
      }
    }
  }

  /** Places (station, angle) of a run of spots. */
  spots(first, count) {
    const { spotCorners, spotWeights, captured } = this.payload;
    const out = [];
    for (let i = first; i < first + count; i++) {
      const p = [0, 0, 0];
      for (let c = 0; c < 3; c++) for (let k = 0; k < 3; k++) p[k] += spotWeights[3 * i + c] * captured[3 * spotCorners[3 * i + c] + k];
      out.push(placeOf(p, this.payload.head.lateral, this.chart));
    }
    return out;
  }

  /** The captured point under a place of the map, or null. */
  pointAt({ station_mm: station, angle_deg: angle }) {
    const [px, py] = this.at(station, angle);
    const i = Math.floor(py - this.box[1]) * this.cells[0] + Math.floor(px - this.box[0]);
    const face = this.faceAt.face[i] ?? -1;
    if (face < 0) return null;
    const { faces, captured } = this.payload;
    const [a, b] = [this.faceAt.weights[2 * i], this.faceAt.weights[2 * i + 1]];
    return [0, 1, 2].map((k) => [a, b, 1 - a - b].reduce((sum, w, c) => sum + w * captured[3 * faces[3 * face + c] + k], 0));
  }

  // -- hands ---------------------------------------------------------------------------------------

  click(event) {
    const { left, top } = this.canvas.getBoundingClientRect();
    const place = this.placeAt(event.clientX - left, event.clientY - top);
    if (!place) return;
    if (this.placing) this.onPlace(place);
    else this.onChoose(this.regionAt(event.clientX - left, event.clientY - top));
  }

  /** The cross goes by a mm, with Shift by 5, and Enter sets it. */
  moveCross(event) {
    const by = event.shiftKey ? 5 : 1;
    const step = { ArrowUp: [-by, 0], ArrowDown: [by, 0], ArrowRight: [0, by], ArrowLeft: [0, -by] }[event.key];
    if (step) {
      this.cross.station_mm = Math.min(this.high, Math.max(this.low, this.cross.station_mm + step[0]));
      this.cross.angle_deg = (this.cross.angle_deg + this.flip * step[1] * DEGREES_A_MM + 360) % 360;
      this.draw();
    } else if (event.key === "Enter") this.onPlace({ ...this.cross });
    else return;
    event.preventDefault();
  }

  regionAt(px, py) {
    const [x, y] = this.box;
    const i = Math.floor(py - y) * this.cells[0] + Math.floor(px - x);
    const face = this.faceAt.face[i] ?? -1;
    if (face < 0 || !this.payload.regionOf) return null;
    const of = [0, 1, 2].map((c) => this.payload.regionOf[this.payload.faces[3 * face + c]]);
    return this.regions[Math.max(...of) - 1]?.name ?? null;
  }

  key(event) {
    if (this.placing) {
      this.moveCross(event);
      return;
    }
    const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
    const names = this.regions.map((region) => region.name);
    if (step && names.length) {
      const next = (names.indexOf(this.chosen) + step + names.length) % names.length;
      this.onChoose(names[next]);
      event.preventDefault();
    } else if (event.key === "Escape") this.onChoose(null);
  }
}

const DEGREES_A_MM = 1.2; // about a mm round a limb of 50 mm radius

/** A point's [station, angle], as `Chart.locate` has it. */
export function placeOf([x, y, z], lateral, { centre_mm: centre, centre_radius_mm: radius }) {
  const below = -z - centre;
  const angle = (Math.atan2(lateral * x, y) * 180) / Math.PI;
  return [below > 0 ? centre + radius * Math.atan2(below, Math.hypot(x, y)) : -z, angle];
}

function placesOf({ captured, head }, chart) {
  const count = captured.length / 3;
  const station = new Float32Array(count);
  const angle = new Float32Array(count);
  for (let i = 0; i < count; i++) [station[i], angle[i]] = placeOf(captured.subarray(3 * i, 3 * i + 3), head.lateral, chart);
  return { station, angle };
}

function extent(values) {
  let low = Infinity;
  let high = -Infinity;
  for (const value of values) {
    if (value < low) low = value;
    if (value > high) high = value;
  }
  return [low, high];
}

/** For every cell of the map the face under it, and the weights of its first two corners; -1 where there is none. */
function rasterised(faces, { station, angle }, [w, h], low, high, flip) {
  const face = new Int32Array(w * h).fill(-1);
  const weights = new Float32Array(2 * w * h);
  const across = (a) => w * (0.5 + (flip * a) / 360);
  const down = (s) => (h * (s - low)) / (high - low);
  for (let f = 0; f < faces.length; f += 3) {
    const corner = [faces[f], faces[f + 1], faces[f + 2]];
    const turn = corner.map((v) => angle[v]);
    const wide = Math.max(...turn) - Math.min(...turn) > 180; // over the back: laid down on either border
    for (const shift of wide ? [0, 360] : [0]) {
      const a = turn.map((t) => (wide && t > 0 ? t - 360 : t) + shift);
      fill(f / 3, a.map(across), corner.map((v) => down(station[v])));
    }
  }
  return { face, weights };

  function fill(index, x, y) {
    const area = (x[1] - x[0]) * (y[2] - y[0]) - (x[2] - x[0]) * (y[1] - y[0]);
    if (Math.abs(area) < 1e-9) return;
    const left = Math.max(0, Math.floor(Math.min(...x) - 0.5));
    const right = Math.min(w - 1, Math.ceil(Math.max(...x)));
    const top = Math.max(0, Math.floor(Math.min(...y) - 0.5));
    const bottom = Math.min(h - 1, Math.ceil(Math.max(...y)));
    for (let j = top; j <= bottom; j++) {
      for (let i = left; i <= right; i++) {
        const px = i + 0.5;
        const py = j + 0.5;
        const second = ((px - x[0]) * (y[2] - y[0]) - (x[2] - x[0]) * (py - y[0])) / area;
        const third = ((x[1] - x[0]) * (py - y[0]) - (px - x[0]) * (y[1] - y[0])) / area;
        if (second < -0.02 || third < -0.02 || second + third > 1.02) continue;
        face[j * w + i] = index;
        weights[2 * (j * w + i)] = 1 - second - third;
        weights[2 * (j * w + i) + 1] = second;
      }
    }
  }
}
