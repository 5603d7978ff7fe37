// What the viewer takes from three.js; three.VERSION.txt says how three.js is made from it.
export {
  BufferAttribute,
  BufferGeometry,
  DoubleSide,
  FrontSide,
  InstancedBufferAttribute,
  InstancedBufferGeometry,
  Matrix4,
  Mesh,
  OrthographicCamera,
  Scene,
  ShaderMaterial,
  Vector3,
  WebGLRenderer,
} from "three";
