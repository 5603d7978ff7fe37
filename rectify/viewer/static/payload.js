// What the viewer shows, read from one block of bytes. The layout is described in rectify/viewer/__init__.py; this
// module turns it into typed arrays and refuses what it does not know.

const MAGIC = 0x31575652; // "RVW1", little-endian
const FORMAT = 1;
const KINDS = { u8: Uint8Array, u16: Uint16Array, i16: Int16Array, u32: Uint32Array, f32: Float32Array };

/** Bytes from base64 text of a zlib stream; rejects where the browser cannot unpack one. */
export async function unpackText(text) {
  const packed = Uint8Array.from(atob(text.trim()), (letter) => letter.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Response(stream).arrayBuffer();
}

/**
 * A payload's arrays, and what is said beside them.
 *
 * Returns { head, captured, rectified, moves, faces, normalsFrom, regionOf, filled, spotCorners, spotWeights, levels }:
 * positions and moves in mm as Float32Array, 3 or 1 per vertex; faces as indices, 3 per face. `head` is the JSON part.
 */
export function readPayload(buffer) {
  const view = new DataView(buffer);
  if (buffer.byteLength < 8 || view.getUint32(0, true) !== MAGIC) throw new Error("this is no viewer payload");
  const length = view.getUint32(4, true);
  const head = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 8, length)));
  if (head.format !== FORMAT) throw new Error(`viewer payload format ${head.format}: wanted ${FORMAT}`);
  const arrays = {};
  for (const [name, place] of Object.entries(head.arrays)) arrays[name] = readArray(buffer, 8 + length, place);
  const captured = arrays.captured;
  const rectified = arrays.shift.map((step, i) => captured[i] + step);
  return {
    head,
    captured,
    rectified,
    moves: arrays.move,
    faces: arrays.faces,
    regionOf: arrays.region_of ?? null,
    filled: arrays.filled ?? null,
    spotCorners: arrays.spot_corners,
    spotWeights: arrays.spot_weights,
    levels: levelRows(arrays.levels, head.level_columns),
  };
}

function readArray(buffer, start, place) {
  const Kind = KINDS[place.kind];
  if (!Kind) throw new Error(`viewer payload: unknown kind of numbers ${place.kind}`);
  const raw = new Kind(buffer, start + place.at, place.count);
  if (!place.scale) return raw;
  const width = place.scale.length; // value = raw * scale + offset, column by column
  const values = new Float32Array(raw.length);
  for (let i = 0; i < raw.length; i++) values[i] = raw[i] * place.scale[i % width] + place.offset[i % width];
  return values;
}

function levelRows(flat, columns) {
  const rows = [];
  for (let i = 0; i < flat.length; i += columns.length) {
    const row = {};
    columns.forEach((name, j) => {
      row[name] = Number.isNaN(flat[i + j]) ? null : flat[i + j];
    });
    rows.push(row);
  }
  return rows;
}
