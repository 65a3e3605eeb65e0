// Reads what the server made for the view (metrology/pictures/view_payload.py): a gzipped header with arrays behind it.

const TYPES = {
  float32: Float32Array, int32: Int32Array, uint32: Uint32Array, uint16: Uint16Array, uint8: Uint8Array, int8: Int8Array,
};

// Fetches and unpacks. said(share) hears how much has come, 0 to 1.
export async function load(address, said = () => {}) {
  const answer = await fetch(address, { credentials: "same-origin" });
  if (!answer.ok || !answer.body) throw new Error(`HTTP ${answer.status}`);
  const whole = Number(answer.headers.get("Content-Length")) || 0;
  let come = 0;
  const counted = answer.body.pipeThrough(new TransformStream({
    transform(piece, onward) {
      come += piece.byteLength;
      if (whole) said(Math.min(come / whole, 1));
      onward.enqueue(piece);
    },
  }));
  const raw = await new Response(counted.pipeThrough(new DecompressionStream("gzip"))).arrayBuffer();
  return unpack(raw);
}

export function unpack(raw) {
  const length = new DataView(raw).getUint32(0, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(raw, 4, length)));
  if (header.format !== "proofmark view" || header.version !== 1) throw new Error("unknown layout");
  const arrays = {};
  for (const [name, one] of Object.entries(header.arrays)) {
    arrays[name] = new TYPES[one.type](raw, 4 + length + one.at, one.rows * one.columns);
  }
  if (arrays.faces) arrays.faces = summed(arrays.faces);
  delete header.arrays;
  return { ...header, ...arrays };
}

// Faces come as differences, which are smaller to send.
function summed(differences) {
  const faces = new Uint32Array(differences.length);
  let last = 0;
  for (let i = 0; i < faces.length; i += 1) {
    last += differences[i];
    faces[i] = last;
  }
  return faces;
}
