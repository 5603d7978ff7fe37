// Lines of any width, in pixels, that lie on the surface: each piece is a small ribbon turned to the eye and drawn a
// little nearer than it is, so that the surface it lies on does not swallow it.

import { InstancedBufferAttribute, InstancedBufferGeometry, BufferAttribute, Mesh, ShaderMaterial } from "./three.js";

const VERTEX = `
attribute vec2 corner;
attribute vec3 from;
attribute vec3 to;
attribute vec2 way;
attribute vec4 tone;
attribute vec2 pen;
uniform vec2 size;
uniform float lift;
varying vec4 vTone;
varying float vWay;
varying float vDash;
void main() {
  vec4 p = projectionMatrix * modelViewMatrix * vec4(from, 1.0);
  vec4 q = projectionMatrix * modelViewMatrix * vec4(to, 1.0);
  vec2 run = (q.xy - p.xy) * size;
  float len = length(run);
  run = len > 1e-4 ? run / len : vec2(1.0, 0.0);
  vec4 place = mix(p, q, corner.x);
  place.xy += (vec2(-run.y, run.x) * corner.y + run * (corner.x - 0.5) * 0.6) * pen.x / size;
  place.z -= lift;
  vTone = tone;
  vWay = mix(way.x, way.y, corner.x);
  vDash = pen.y;
  gl_Position = place;
}`;

const FRAGMENT = `
varying vec4 vTone;
varying float vWay;
varying float vDash;
void main() {
  if (vDash > 0.0 && fract(vWay / vDash) > 0.62) discard;
  gl_FragColor = vTone;
}`;

/** A set of lines, drawn in one go. */
export class Ribbons {
  constructor(order) {
    this.material = new ShaderMaterial({
      vertexShader: VERTEX,
      fragmentShader: FRAGMENT,
      transparent: true,
      depthWrite: false,
      uniforms: { size: { value: [1, 1] }, lift: { value: 0 } },
    });
    this.mesh = new Mesh(new InstancedBufferGeometry(), this.material);
    this.mesh.frustumCulled = false;
    this.mesh.renderOrder = order;
    this.mesh.visible = false;
  }

  /** Lines: [{ points: Float32Array, colour: [r, g, b, a] from 0 to 1, width px, dash mm or 0 }]. */
  set(lines) {
    this.mesh.geometry.dispose();
    const count = lines.reduce((sum, line) => sum + Math.max(0, line.points.length / 3 - 1), 0);
    this.mesh.visible = count > 0;
    const from = new Float32Array(3 * count);
    const to = new Float32Array(3 * count);
    const way = new Float32Array(2 * count);
    const tone = new Float32Array(4 * count);
    const pen = new Float32Array(2 * count);
    let i = 0;
    for (const { points, colour, width, dash } of lines) {
      let gone = 0;
      for (let k = 3; k < points.length; k += 3, i++) {
        from.set(points.subarray(k - 3, k), 3 * i);
        to.set(points.subarray(k, k + 3), 3 * i);
        const step = Math.hypot(
          points[k] - points[k - 3],
          points[k + 1] - points[k - 2],
          points[k + 2] - points[k - 1],
        );
        way.set([gone, gone + step], 2 * i);
        tone.set(colour, 4 * i);
        pen.set([width, dash ?? 0], 2 * i);
        gone += step;
      }
    }
    const geometry = new InstancedBufferGeometry();
    geometry.instanceCount = count;
    geometry.setAttribute("corner", new BufferAttribute(new Float32Array([0, -1, 1, -1, 0, 1, 1, 1]), 2));
    geometry.setIndex([0, 1, 2, 2, 1, 3]);
    const held = { from: [from, 3], to: [to, 3], way: [way, 2], tone: [tone, 4], pen: [pen, 2] };
    for (const [name, [array, width]] of Object.entries(held)) {
      geometry.setAttribute(name, new InstancedBufferAttribute(array, width));
    }
    this.mesh.geometry = geometry;
  }

  /** `lift`: how much nearer to the eye, in the depth of the picture from -1 to 1. */
  place(size, lift) {
    this.material.uniforms.size.value = size;
    this.material.uniforms.lift.value = lift;
  }

  dispose() {
    this.mesh.geometry.dispose();
    this.material.dispose();
  }
}
