// Paints the land, the fields, the ways and the places for barrels on canvases that Leaflet moves and scales.

const HALF_WORLD = Math.PI * 6378137;
const STATES = ['nothing', 'waiting', 'soon', 'now', 'carried', 'lost'];
const HIDDEN = 6;
const INK = '#1b2430';
const PAPER = '#faf9f5';
const WAY = '#8c1d5a';
const LAND = {
  water: { fill: '#cfdcd9', edge: '#86a5a3' },
  forest: { fill: '#d5dcc4', edge: '#a9b58c' },
  house: { fill: '#7d746c', edge: '#5f574f' },
  thatch: { fill: '#a08a63', edge: '#79663f' },
  standing_crop: { fill: '#e6e2c8', edge: '#c2bb8f' },
  road: { fill: '#dcd8d0', edge: '#b3aca0' },
  other: { fill: '#e3ddd6', edge: '#b8aea2' },
  background: { fill: '#ebe8e0', edge: '#c5beb1' },
  barrier: { edge: '#5f8a8b', width: 2.5 },
  path: { edge: '#8d7a5f', width: 1.4, casing: '#ffffff' },
};

// A canvas that covers the map and is painted anew when the map comes to rest.
const Sheet = L.Renderer.extend({
  initialize(paint, options) {
    L.Renderer.prototype.initialize.call(this, options);
    this._paint = paint;
  },
  _initContainer() {
    this._container = document.createElement('canvas');
    this._container.setAttribute('aria-hidden', 'true');
  },
  _destroyContainer() {
    this._container.remove();
    delete this._container;
  },
  _updatePaths() {},
  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    this.paint();
  },
  paint() {
    if (!this._map || !this._bounds) return;
    const canvas = this._container;
    const size = this._bounds.getSize();
    const ratio = Math.min(2, window.devicePixelRatio || 1);
    L.DomUtil.setPosition(canvas, this._bounds.min);
    const width = Math.round(size.x * ratio), height = Math.round(size.y * ratio);
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width;
      canvas.height = height;
      canvas.style.width = `${size.x}px`;
      canvas.style.height = `${size.y}px`;
    }
    const zoom = this._map.getZoom();
    const scale = (256 * 2 ** zoom) / (2 * HALF_WORLD);
    const corner = this._map.getPixelOrigin().add(this._bounds.min);
    const [x0, y0] = this.options.origin;
    const context = canvas.getContext('2d');
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, size.x, size.y);
    this._paint({
      context, ratio, scale, width: size.x, height: size.y, zoom, box: canvas,
      ox: (x0 + HALF_WORLD) * scale - corner.x,
      oy: (HALF_WORLD - y0) * scale - corner.y,
    });
  },
});

function hatchTile(base, lines, state, ratio) {
  const step = 7;
  const tile = document.createElement('canvas');
  tile.width = tile.height = step * ratio;
  const context = tile.getContext('2d');
  context.scale(ratio, ratio);
  context.fillStyle = base;
  context.fillRect(0, 0, step, step);
  context.strokeStyle = lines;
  context.lineWidth = state === 'lost' ? 1.1 : 1.5;
  context.beginPath();
  for (const shift of [-step, 0, step]) {
    context.moveTo(shift - 1, step + 1);
    context.lineTo(shift + step + 1, -1);
    if (state === 'lost') {
      context.moveTo(shift - 1, -1);
      context.lineTo(shift + step + 1, step + 1);
    }
  }
  context.stroke();
  return tile;
}

function mixed(a, b, share) {
  const part = (colour, i) => parseInt(colour.slice(1 + 2 * i, 3 + 2 * i), 16);
  return [0, 1, 2].map((i) => Math.round(part(a, i) * (1 - share) + part(b, i) * share));
}

class Painter {
  constructor(season) {
    this.season = season;
    this.state = new Uint8Array(season.fields.count);
    const sizes = [];
    const { box } = season.shapes;
    const n = season.fields.count;
    for (let i = 0; i < n; i += Math.max(1, n >> 10)) sizes.push(Math.sqrt((box[4 * i + 2] - box[4 * i]) * (box[4 * i + 3] - box[4 * i + 1])));
    this.fieldSize = sizes.sort((a, b) => a - b)[sizes.length >> 1] || 1;
    this.flat = STATES.map((s) => {
      const [lines, share] = season.hatch[s] || ['#000000', 0];
      return mixed(season.palette[s], lines, share);
    });
    this.flat.push([240, 238, 232]);
    this.far = [...this.flat];
    this.far[0] = mixed(season.palette.nothing, '#8f8a7c', 0.3); // no edge sets it off from the paper
    this.tiles = {};
  }

  fill(view, state) {
    if (state === HIDDEN) return '#f0eee8';
    const name = STATES[state];
    if (!this.season.hatch[name] || this.fieldSize * view.scale < 7) return `rgb(${this.flat[state].join()})`;
    const key = `${name} ${view.ratio}`;
    this.tiles[key] ??= hatchTile(this.season.palette[name], this.season.hatch[name][0], name, Math.ceil(view.ratio));
    const pattern = view.context.createPattern(this.tiles[key], 'repeat');
    pattern.setTransform(new DOMMatrix().scale(1 / Math.ceil(view.ratio)));
    return pattern;
  }

  fields(view) {
    const size = this.fieldSize * view.scale;
    if (size < 5) this.fieldsFar(view);
    else this.fieldsNear(view, size);
  }

  seen(view, boxes, at) {
    const { scale, ox, oy, width, height } = view;
    return boxes[at + 2] * scale + ox > 0 && boxes[at] * scale + ox < width &&
      oy - boxes[at + 1] * scale > 0 && oy - boxes[at + 3] * scale < height;
  }

  // So small that a field is a few dots: written straight into the picture.
  fieldsFar(view) {
    const { context, ratio, scale, ox, oy, box: canvas } = view;
    const { box, blockBox, blocks, count } = this.season.shapes;
    const width = canvas.width, height = canvas.height;
    const picture = context.createImageData(width, height);
    const dots = new Uint32Array(picture.data.buffer);
    const colours = this.far.map(([r, g, b]) => (255 << 24) | (b << 16) | (g << 8) | r);
    const f = scale * ratio, fx = ox * ratio, fy = oy * ratio;
    const least = Math.round((count < 3000 ? 4 : 1) * ratio); // few and scattered fields must still be seen
    for (let b = 0; b < blocks; b++) {
      if (!this.seen(view, blockBox, 4 * b)) continue;
      for (let i = b * BLOCK, to = Math.min(count, i + BLOCK); i < to; i++) {
        const o = 4 * i;
        let x1 = Math.round(box[o] * f + fx), x2 = Math.round(box[o + 2] * f + fx);
        let y1 = Math.round(fy - box[o + 3] * f), y2 = Math.round(fy - box[o + 1] * f);
        if (x2 - x1 < least) x2 = (x1 = (x1 + x2 - least) >> 1) + least;
        if (y2 - y1 < least) y2 = (y1 = (y1 + y2 - least) >> 1) + least;
        x1 = Math.max(0, x1);
        y1 = Math.max(0, y1);
        x2 = Math.min(width, x2);
        y2 = Math.min(height, y2);
        const colour = colours[this.state[i]];
        for (let y = y1; y < y2; y++) for (let x = x1, d = y * width + x1; x < x2; x++, d++) dots[d] = colour;
      }
    }
    context.putImageData(picture, 0, 0);
  }

  // One short path a block and state; one long path of all fields would take far longer.
  fieldsNear(view, size) {
    const { context } = view;
    const { blockBox, blocks, count } = this.season.shapes;
    const fills = [...STATES.keys(), HIDDEN].map((s) => this.fill(view, s));
    const edges = size > 9;
    for (let b = 0; b < blocks; b++) {
      if (!this.seen(view, blockBox, 4 * b)) continue;
      const from = b * BLOCK, to = Math.min(count, from + BLOCK);
      let found = 0;
      for (let i = from; i < to; i++) found |= 1 << this.state[i];
      for (let s = 0; s <= HIDDEN; s++) {
        if (!(found & (1 << s))) continue;
        context.beginPath();
        for (let i = from; i < to; i++) if (this.state[i] === s) this.trace(view, this.season.shapes, i, true);
        context.fillStyle = fills[s];
        context.fill('evenodd');
        if (edges) {
          context.strokeStyle = s === HIDDEN ? 'rgba(60,60,60,.10)' : 'rgba(45,52,62,.45)';
          context.lineWidth = size > 30 ? 1 : 0.6;
          context.stroke();
        }
      }
      if (edges) this.estimatedEdges(view, from, to, size);
    }
  }

  estimatedEdges(view, from, to, size) {
    const { context } = view;
    context.beginPath();
    let any = false;
    for (let i = from; i < to; i++) {
      if (!this.season.field.estimated[i] || this.state[i] === HIDDEN) continue;
      this.trace(view, this.season.shapes, i, true);
      any = true;
    }
    if (!any) return;
    context.lineWidth = size > 30 ? 2.2 : 1.6;
    context.strokeStyle = '#ffffff';
    context.stroke();
    context.setLineDash([5, 4]);
    context.strokeStyle = INK;
    context.lineWidth -= 0.6;
    context.stroke();
    context.setLineDash([]);
  }

  trace(view, shapes, i, close) {
    const { context, scale, ox, oy } = view;
    const { first, start, xy } = shapes;
    for (let r = first[i]; r < first[i + 1]; r++) {
      let k = start[r];
      context.moveTo(xy[2 * k] * scale + ox, oy - xy[2 * k + 1] * scale);
      for (k++; k < start[r + 1]; k++) context.lineTo(xy[2 * k] * scale + ox, oy - xy[2 * k + 1] * scale);
      if (close) context.closePath();
    }
  }

  layer(view, layer) {
    const style = LAND[layer.kind] || LAND.other;
    const { context } = view;
    context.lineJoin = context.lineCap = 'round';
    for (let b = 0; b < layer.blocks; b++) {
      if (!this.seen(view, layer.blockBox, 4 * b)) continue;
      context.beginPath();
      for (let i = b * BLOCK, to = Math.min(layer.count, i + BLOCK); i < to; i++) this.trace(view, layer, i, layer.area);
      if (layer.area) {
        context.fillStyle = style.fill || style.edge;
        context.globalAlpha = this.season.relief && layer.kind !== 'house' ? 0.72 : 1;
        context.fill('evenodd');
        context.globalAlpha = 1;
        context.lineWidth = 0.8;
      } else {
        const width = (style.width || 1.2) * Math.min(1.6, Math.max(0.5, (view.zoom - 9) / 5));
        if (style.casing && view.zoom > 13) {
          context.strokeStyle = style.casing;
          context.lineWidth = width + 2;
          context.stroke();
        }
        context.lineWidth = width;
      }
      context.strokeStyle = style.edge;
      context.stroke();
    }
  }

  ground(view) {
    for (const layer of this.season.layers) if (layer.area || layer.kind === 'background') this.layer(view, layer);
  }

  lines(view) {
    for (const layer of this.season.layers) if (!layer.area && layer.kind !== 'background') this.layer(view, layer);
  }

  // Ways to a site: each stretch as wide as what goes along it.
  flow(view, kgOfWay, strongest, strong) {
    const { ways } = this.season;
    const load = new Map();
    for (const [way, kg] of kgOfWay) {
      for (let node = ways.end[way]; ways.parent[node] >= 0; node = ways.parent[node]) load.set(node, (load.get(node) || 0) + kg);
    }
    const { context, scale, ox, oy } = view;
    context.lineCap = context.lineJoin = 'round';
    for (const pass of [0, 1]) {
      for (const [node, kg] of load) {
        const p = ways.parent[node];
        const width = (strong ? 1.8 : 0.8) + (strong ? 7 : 5) * Math.sqrt(kg / strongest);
        context.lineWidth = pass ? width : width + (strong ? 3 : 1.5);
        context.strokeStyle = pass ? (strong ? WAY : '#cf97b5') : 'rgba(255,255,255,.9)';
        context.beginPath();
        context.moveTo(ways.xy[2 * node] * scale + ox, oy - ways.xy[2 * node + 1] * scale);
        context.lineTo(ways.xy[2 * p] * scale + ox, oy - ways.xy[2 * p + 1] * scale);
        context.stroke();
      }
    }
  }

  outline(view, i) {
    const { context } = view;
    context.beginPath();
    this.trace(view, this.season.shapes, i, true);
    context.lineJoin = 'round';
    context.lineWidth = 6;
    context.strokeStyle = '#ffffff';
    context.stroke();
    context.lineWidth = 3;
    context.strokeStyle = WAY;
    context.stroke();
  }
}

// A place for barrels: the number that stand there, a ring for the share of their hours in use,
// a full warm disc where several are busy.
function badge(context, x, y, r, { barrels, busy, several, grouped, chosen, doubtful, all }) {
  context.lineCap = 'butt';
  if (chosen) {
    disc(context, x, y, r + 7, WAY);
    disc(context, x, y, r + 4, '#ffffff');
  }
  if (!barrels && all) {
    disc(context, x, y, r + 2, '#ffffff');
    if (doubtful) {
      context.setLineDash([3, 3]);
      ring(context, x, y, r + 3.5, 1.6, INK, 1);
      context.setLineDash([]);
    }
    ring(context, x, y, r - 1, 2, INK, 1);
    disc(context, x, y, r * 0.32, INK);
    return;
  }
  if (!barrels) {
    disc(context, x, y, 5.5, '#ffffff');
    ring(context, x, y, 4.2, 2, INK, 1);
    return;
  }
  if (grouped) disc(context, x + 3, y - 3, r + 2.5, '#6b7280');
  disc(context, x, y, r + 2.5, '#ffffff');
  if (doubtful) {
    context.setLineDash([3, 3]);
    ring(context, x, y, r + 4, 2, INK, 1);
    context.setLineDash([]);
  }
  disc(context, x, y, r, several ? '#f5a31a' : '#ffffff');
  const band = Math.max(3.5, r * 0.26);
  ring(context, x, y, r - band / 2, band, several ? '#fbdba6' : '#c9cdd3', 1);
  ring(context, x, y, r - band / 2, band, INK, busy);
  ring(context, x, y, r, 1, INK, 1);
  context.fillStyle = INK;
  context.textAlign = 'center';
  context.textBaseline = 'middle';
  context.font = `700 ${Math.round(r * 0.98)}px ${FONT}`;
  context.fillText(number(barrels), x, y + r * 0.05);
}

// Badges that look alike are drawn once and stamped.
const stamps = new Map();

function stamp(view, x, y, r, look) {
  const busy = Math.round(look.busy * 24) / 24;
  const key = [view.ratio, r, look.barrels, busy, look.several, look.grouped, look.chosen, look.doubtful, look.all].join();
  const half = Math.ceil(r + 10);
  let picture = stamps.get(key);
  if (!picture) {
    if (stamps.size > 600) stamps.clear();
    picture = document.createElement('canvas');
    picture.width = picture.height = 2 * half * view.ratio;
    const context = picture.getContext('2d');
    context.scale(view.ratio, view.ratio);
    badge(context, half, half, r, { ...look, busy });
    stamps.set(key, picture);
  }
  const dot = (at) => Math.round((at - half) * view.ratio) / view.ratio;
  view.context.drawImage(picture, dot(x), dot(y), 2 * half, 2 * half);
}

function disc(context, x, y, r, colour) {
  context.beginPath();
  context.arc(x, y, r, 0, 7);
  context.fillStyle = colour;
  context.fill();
}

function ring(context, x, y, r, width, colour, share) {
  if (share <= 0) return;
  context.beginPath();
  context.arc(x, y, r, -Math.PI / 2, -Math.PI / 2 + 2 * Math.PI * Math.min(1, share));
  context.lineWidth = width;
  context.strokeStyle = colour;
  context.stroke();
}

// A site's whole season: a bar a week, its dark part busy, the week shown marked.
function spark(context, x, y, width, height, barrels, busy, week, most) {
  const n = barrels.length;
  context.fillStyle = 'rgba(255,255,255,.94)';
  context.strokeStyle = 'rgba(27,36,48,.28)';
  context.lineWidth = 1;
  context.beginPath();
  context.roundRect(x - 4, y - 3, width + 8, height + 9, 4);
  context.fill();
  context.stroke();
  const bar = width / n;
  for (let i = 0; i < n; i++) {
    const h = (height * barrels[i]) / most;
    context.fillStyle = i === week ? '#f5a31a' : '#b9c0ca';
    context.fillRect(x + i * bar, y + height - h, Math.max(1, bar - 0.8), h);
    context.fillStyle = i === week ? INK : '#3f5470';
    context.fillRect(x + i * bar, y + height - h * busy[i], Math.max(1, bar - 0.8), h * busy[i]);
  }
  context.fillStyle = '#8a9099';
  context.fillRect(x, y + height, width, 1);
  if (week < 0) return;
  context.fillStyle = '#d07f00';
  context.fillRect(x + week * bar - 0.5, y + height, Math.max(3, bar + 1), 3);
}

function haloed(context, text, x, y, colour, halo) {
  context.lineJoin = 'round';
  context.lineWidth = 4;
  context.strokeStyle = halo;
  context.strokeText(text, x, y);
  context.fillStyle = colour;
  context.fillText(text, x, y);
}
