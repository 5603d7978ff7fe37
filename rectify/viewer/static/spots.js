// Places that ride on the surface: outlines, landmarks, the trimline. Each is a place in a face of the view mesh, so
// that it goes with the surface wherever the surface goes.

/** Where spots first to first + count lie on these positions: Float32Array (x, y, z, ...). */
export function spotPoints(payload, positions, first, count) {
  const { spotCorners, spotWeights } = payload;
  const out = new Float32Array(3 * count);
  for (let i = 0; i < count; i++) {
    for (let c = 0; c < 3; c++) {
      const corner = 3 * spotCorners[3 * (first + i) + c];
      const weight = spotWeights[3 * (first + i) + c];
      for (let k = 0; k < 3; k++) out[3 * i + k] += weight * positions[corner + k];
    }
  }
  return out;
}

/** Whether the surface at a spot looks toward the eye, from -1 to 1. */
export function facing(payload, normals, spot, toward) {
  let sum = 0;
  for (let c = 0; c < 3; c++) {
    const corner = 3 * payload.spotCorners[3 * spot + c];
    const weight = payload.spotWeights[3 * spot + c];
    for (let k = 0; k < 3; k++) sum += weight * normals[corner + k] * toward[k];
  }
  return sum;
}
