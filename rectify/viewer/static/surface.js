// The captured and the rectified surface: one set of faces, two sets of positions, coloured by displacement in the
// fragment so that bands stay crisp between vertices. Contour lines lie at half millimetres, solid where material
// was added and dashed where it was taken, so that a grey print tells the two apart.

import { BufferAttribute, BufferGeometry, DoubleSide, FrontSide, Mesh, ShaderMaterial, Vector3 } from "./three.js";

const STOPS = 9;

const VERTEX = `
attribute float move;
attribute float filled;
varying float vMove;
varying float vFilled;
varying vec3 vNormal;
void main() {
  vMove = move;
  vFilled = filled;
  vNormal = normalMatrix * normal;
  gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
}`;

const FRAGMENT = `
uniform vec3 stops[${STOPS}];
uniform vec3 plain;
uniform float top;
uniform float coloured;
uniform float contours;
uniform float spacing;
uniform float opacity;
uniform float glass;
uniform float pixel;
varying float vMove;
varying float vFilled;
varying vec3 vNormal;

vec3 ramp(float share) {
  float at = clamp((share + 1.0) * 0.5, 0.0, 1.0) * float(${STOPS - 1});
  vec3 colour = stops[0];
  for (int i = 1; i < ${STOPS}; i++) colour = mix(colour, stops[i], clamp(at - float(i - 1), 0.0, 1.0));
  return colour;
}

void main() {
  vec3 n = normalize(vNormal) * (gl_FrontFacing ? 1.0 : -1.0);
  vec3 lamp = normalize(vec3(-0.35, 0.45, 1.0));
  float light = 0.58 + 0.46 * pow(max(dot(n, lamp), 0.0), 1.15);
  vec3 colour = mix(plain, ramp(vMove / top), coloured);
  float diagonal = (gl_FragCoord.x + gl_FragCoord.y) / pixel;
  if (vFilled > 0.5 && mod(diagonal, 9.0) < 2.0) colour *= 0.45;
  if (contours > 0.0 && coloured > 0.0) {
    float at = (abs(vMove) - 0.5) / spacing;
    float width = max(fwidth(vMove) / spacing, 1e-5) * pixel;
    float line = abs(fract(at + 0.5) - 0.5) / width;
    bool drawn = at > -0.4 && abs(vMove) < top + 0.25 && (vMove > 0.0 || mod(diagonal, 9.0) < 5.5);
    if (drawn && width < 0.45) colour *= 1.0 - 0.42 * (1.0 - smoothstep(0.35, 0.95, line));
  }
  if (!gl_FrontFacing) colour = mix(colour, vec3(0.72, 0.70, 0.66), 0.75);
  float edge = pow(1.0 - abs(n.z), 1.6);
  float seen = mix(opacity, opacity * (0.22 + 0.78 * edge), glass);
  gl_FragColor = vec4(colour * light, seen);
}`;

/** A surface in the picture. `glass` draws it see-through in the middle and denser toward its rim. */
export class Surface {
  constructor(payload, positions) {
    const n = positions.length / 3;
    this.positions = positions;
    this.faces = payload.faces;
    this.geometry = new BufferGeometry();
    this.geometry.setIndex(new BufferAttribute(payload.faces, 1));
    this.geometry.setAttribute("position", new BufferAttribute(positions, 3));
    this.geometry.setAttribute("normal", new BufferAttribute(new Float32Array(positions.length), 3));
    this.geometry.setAttribute("move", new BufferAttribute(payload.moves, 1));
    this.geometry.setAttribute(
      "filled",
      new BufferAttribute(Float32Array.from(payload.filled ?? new Uint8Array(n)), 1),
    );
    this.material = new ShaderMaterial({
      vertexShader: VERTEX,
      fragmentShader: FRAGMENT,
      side: DoubleSide,
      uniforms: {
        stops: { value: payload.head.scale.stops.map((rgb) => new Vector3(...rgb.map((c) => c / 255))) },
        plain: { value: new Vector3(0.94, 0.925, 0.9) },
        top: { value: payload.head.scale.top_mm },
        spacing: { value: payload.head.scale.contour_mm },
        coloured: { value: 1 },
        contours: { value: 1 },
        opacity: { value: 1 },
        glass: { value: 0 },
        pixel: { value: 1 },
      },
    });
    this.mesh = new Mesh(this.geometry, this.material);
    this.mesh.frustumCulled = false;
    this.setPositions(positions);
  }

  setPositions(positions) {
    this.positions = positions;
    const held = this.geometry.getAttribute("position");
    if (held.array !== positions) held.array.set(positions);
    held.needsUpdate = true;
    const normals = this.geometry.getAttribute("normal");
    vertexNormals(positions, this.faces, normals.array);
    normals.needsUpdate = true;
  }

  setMoves(moves) {
    const held = this.geometry.getAttribute("move");
    if (held.array !== moves) held.array.set(moves);
    held.needsUpdate = true;
  }

  get normals() {
    return this.geometry.getAttribute("normal").array;
  }

  set(values) {
    for (const [name, value] of Object.entries(values)) this.material.uniforms[name].value = value;
  }

  /** How much of it is seen, 0 to 1; 0 takes it out of the picture. */
  show(opacity, glass = 0) {
    const clear = opacity < 1 || glass > 0;
    this.mesh.visible = opacity > 0;
    this.material.transparent = clear;
    this.material.depthWrite = !clear;
    this.material.side = clear ? FrontSide : DoubleSide;
    this.mesh.renderOrder = clear ? 4 : 0;
    this.set({ opacity, glass });
  }

  dispose() {
    this.geometry.dispose();
    this.material.dispose();
  }
}

/** Unit normals of the vertices, faces weighted by their area. */
export function vertexNormals(p, faces, out) {
  out.fill(0);
  for (let f = 0; f < faces.length; f += 3) {
    const a = 3 * faces[f];
    const b = 3 * faces[f + 1];
    const c = 3 * faces[f + 2];
    const ux = p[b] - p[a];
    const uy = p[b + 1] - p[a + 1];
    const uz = p[b + 2] - p[a + 2];
    const vx = p[c] - p[a];
    const vy = p[c + 1] - p[a + 1];
    const vz = p[c + 2] - p[a + 2];
    const nx = uy * vz - uz * vy;
    const ny = uz * vx - ux * vz;
    const nz = ux * vy - uy * vx;
    for (const i of [a, b, c]) {
      out[i] += nx;
      out[i + 1] += ny;
      out[i + 2] += nz;
    }
  }
  for (let i = 0; i < out.length; i += 3) {
    const length = Math.hypot(out[i], out[i + 1], out[i + 2]) || 1;
    out[i] /= length;
    out[i + 1] /= length;
    out[i + 2] /= length;
  }
}
