// Reads what sourcing/outputs/packing.py wrote: zigzag varints, one behind the other.

async function inflate(text) {
  const signs = atob(text.trim());
  const packed = new Uint8Array(signs.length);
  for (let i = 0; i < signs.length; i++) packed[i] = signs.charCodeAt(i);
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream('deflate'));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

class Reader {
  constructor(bytes) {
    this.bytes = bytes;
    this.at = 0;
  }

  ints(count) {
    const out = new Int32Array(count);
    const bytes = this.bytes;
    let at = this.at;
    for (let i = 0; i < count; i++) {
      let byte = bytes[at++];
      let value = byte & 127;
      for (let shift = 7; byte > 127; shift += 7) {
        byte = bytes[at++];
        value |= (byte & 127) << shift;
      }
      out[i] = (value >>> 1) ^ -(value & 1);
    }
    this.at = at;
    return out;
  }

  text(count) {
    const part = this.bytes.subarray(this.at, this.at + count);
    this.at += count;
    return new TextDecoder().decode(part);
  }

  // Areas or lines: for shape i its rings are first[i] .. first[i + 1], for ring r its corners start[r] .. start[r + 1].
  shapes(count, ringCount) {
    const rings = this.ints(count);
    const corners = this.ints(ringCount);
    const first = running(rings);
    const start = running(corners);
    const total = start[ringCount];
    const steps = this.ints(2 * total);
    const xy = new Int32Array(2 * total);
    let x = 0;
    let y = 0;
    for (let i = 0; i < total; i++) {
      xy[2 * i] = x += steps[2 * i];
      xy[2 * i + 1] = y += steps[2 * i + 1];
    }
    return boxed({ count, first, start, xy });
  }

  // Ways as trees: parent of each node (-1 at a site), its place, and the node each way begins at.
  trees(nodes, ways) {
    const back = this.ints(nodes);
    const steps = this.ints(2 * nodes);
    const end = this.ints(ways);
    const parent = new Int32Array(nodes);
    const xy = new Int32Array(2 * nodes);
    for (let i = 0; i < nodes; i++) {
      const p = back[i] ? i - back[i] : -1;
      parent[i] = p;
      xy[2 * i] = steps[2 * i] + (p < 0 ? 0 : xy[2 * p]);
      xy[2 * i + 1] = steps[2 * i + 1] + (p < 0 ? 0 : xy[2 * p + 1]);
    }
    return { parent, xy, end };
  }
}

function running(counts) {
  const out = new Int32Array(counts.length + 1);
  for (let i = 0; i < counts.length; i++) out[i + 1] = out[i] + counts[i];
  return out;
}

const BLOCK = 128;

// The box round each shape, and round each block of shapes that lie near each other.
function boxed(shapes) {
  const { count, first, start, xy } = shapes;
  const box = new Int32Array(4 * count);
  const blocks = Math.ceil(count / BLOCK);
  const blockBox = new Int32Array(4 * blocks);
  for (let b = 0; b < blocks; b++) {
    let bw = 2e9, bs = 2e9, be = -2e9, bn = -2e9;
    for (let i = b * BLOCK, to = Math.min(count, i + BLOCK); i < to; i++) {
      let w = 2e9, s = 2e9, e = -2e9, n = -2e9;
      for (let k = start[first[i]], last = start[first[i + 1]]; k < last; k++) {
        const x = xy[2 * k], y = xy[2 * k + 1];
        if (x < w) w = x;
        if (x > e) e = x;
        if (y < s) s = y;
        if (y > n) n = y;
      }
      box.set([w, s, e, n], 4 * i);
      if (w < bw) bw = w;
      if (s < bs) bs = s;
      if (e > be) be = e;
      if (n > bn) bn = n;
    }
    blockBox.set([bw, bs, be, bn], 4 * b);
  }
  return { ...shapes, box, blocks, blockBox };
}

function inside(shapes, i, x, y) {
  const { first, start, xy, box } = shapes;
  if (x < box[4 * i] || y < box[4 * i + 1] || x > box[4 * i + 2] || y > box[4 * i + 3]) return false;
  let odd = false;
  for (let r = first[i]; r < first[i + 1]; r++) {
    for (let k = start[r], j = start[r + 1] - 1; k < start[r + 1]; j = k++) {
      const ya = xy[2 * k + 1], yb = xy[2 * j + 1];
      if (ya > y !== yb > y && x < ((xy[2 * j] - xy[2 * k]) * (y - ya)) / (yb - ya) + xy[2 * k]) odd = !odd;
    }
  }
  return odd;
}

function shapeAt(shapes, x, y, wanted) {
  for (let b = 0; b < shapes.blocks; b++) {
    const o = 4 * b;
    if (x < shapes.blockBox[o] || y < shapes.blockBox[o + 1] || x > shapes.blockBox[o + 2] || y > shapes.blockBox[o + 3]) continue;
    for (let i = b * BLOCK, to = Math.min(shapes.count, i + BLOCK); i < to; i++) {
      if (wanted(i) && inside(shapes, i, x, y)) return i;
    }
  }
  return -1;
}

async function readSeason() {
  const season = JSON.parse(document.getElementById('season').textContent);
  const reader = new Reader(await inflate(document.getElementById('pack').textContent));
  const n = season.fields.count;
  const field = {};
  for (const name of ['village', 'crop', 'ready', 'clear', 'estimated', 'free', 'lost', 'area']) field[name] = reader.ints(n);
  season.field = field;
  season.shapes = reader.shapes(n, season.fields.rings);
  const c = season.carries;
  const of = reader.ints(c);
  for (let i = 1; i < c; i++) of[i] += of[i - 1];
  season.carry = { field: of, site: reader.ints(c), week: reader.ints(c), kg: reader.ints(c), taken: reader.ints(c) };
  for (let i = 0; i < c; i++) season.carry.taken[i] += season.carry.kg[i];
  const w = season.routes.count;
  const ways = { field: reader.ints(w), site: reader.ints(w), m: reader.ints(w), minutes: reader.ints(w) };
  season.ways = { ...ways, ...reader.trees(season.routes.nodes, w) };
  for (const layer of season.layers) Object.assign(layer, reader.shapes(layer.shapes, layer.rings));
  const ids = reader.bytes.subarray(reader.at, reader.at + season.fields.id_bytes);
  let list = null;
  season.fieldIds = () => (list ??= n ? new TextDecoder().decode(ids).split('\n') : []);
  return season;
}
