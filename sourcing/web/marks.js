// What is true in a week, and its marks on the map: places for barrels, ways carried, names.

const inView = (site) => shown.village < 0 || season.sites[site].village === shown.village;
const isSeveral = (barrels, busy) => barrels >= season.several && busy >= season.floor - 1e-9;

function fieldStates(week) {
  const { field, carry } = season;
  const { state } = painter;
  const n = season.fields.count;
  const all = week === SEASON, until = all ? Infinity : week;
  const gone = new Float64Array(n);
  const nowCarried = new Uint8Array(n);
  for (let c = 0; c < carry.field.length; c++) {
    if (carry.week[c] <= until) gone[carry.field[c]] += carry.taken[c];
    if (carry.week[c] === week) nowCarried[carry.field[c]] = 1;
  }
  for (let i = 0; i < n; i++) {
    if ((shown.village >= 0 && field.village[i] !== shown.village) || (shown.crop >= 0 && field.crop[i] !== shown.crop)) state[i] = HIDDEN;
    else if (nowCarried[i]) state[i] = 3;
    else if (field.free[i] <= 0 || (!all && week < field.ready[i])) state[i] = 0;
    else if (gone[i] >= field.free[i] / 2) state[i] = 4;
    else if (!all && week <= field.clear[i]) state[i] = field.clear[i] - week < season.soon ? 2 : 1;
    else state[i] = 5;
  }
}

function radius(barrels) {
  return (9 + 3 * Math.sqrt(Math.min(barrels, 60))) * (shown.large ? 1.5 : 1);
}

// Sites that would lie on one another are shown as one; who joins whom does not depend on the week.
function groupSites(view) {
  const key = [view.scale, view.ox, view.oy, shown.village, shown.site, shown.large].join();
  if (key === groupsFor) return badges;
  groupsFor = key;
  const gap = 2.3 * radius(4);
  const order = season.sites.map((_, i) => i).filter(inView).sort((a, b) => season.sites[b].barrel_weeks - season.sites[a].barrel_weeks);
  if (shown.site >= 0) order.unshift(...order.splice(order.indexOf(shown.site), 1));
  const groups = [];
  for (const i of order) {
    const x = season.sites[i].x * view.scale + view.ox, y = view.oy - season.sites[i].y * view.scale;
    const near = groups.find((g) => Math.hypot(g.x - x, g.y - y) < gap);
    if (near) near.sites.push(i);
    else groups.push({ x, y, sites: [i] });
  }
  return groups;
}

// What the mark of a group of sites says: the barrels there in a week, and the share of their hours in use.
function ofWeek({ sites }, week) {
  const barrels = sum(sites.map((s) => season.sites[s].barrels[week]));
  const hours = sum(sites.map((s) => season.sites[s].barrels[week] * season.sites[s].busy[week]));
  const several = sites.some((s) => isSeveral(season.sites[s].barrels[week], season.sites[s].busy[week]));
  return { barrels, busy: barrels ? hours / barrels : 0, several, all: false };
}

// Of the whole season: the weeks in which a site keeps several barrels busy, the most of the group.
function ofSeason({ sites }) {
  const weeks = Math.max(...sites.map((s) => season.sites[s].several));
  const hours = sum(sites.map((s) => sum(season.sites[s].barrels.map((b, w) => b * season.sites[s].busy[w]))));
  return { barrels: weeks, busy: hours / Math.max(1, sum(sites.map((s) => season.sites[s].barrel_weeks))), several: weeks > 0, all: true };
}

function paintMarks(view) {
  const { context, scale, ox, oy } = view;
  const week = shown.week;
  const big = shown.large ? 1.4 : 1;
  const taken = [], room = map.getSize(), [left, top] = [(view.width - room.x) / 2, (view.height - room.y) / 2];
  const key = at('legend');
  taken.push([left + key.offsetLeft, top + key.offsetTop, left + key.offsetLeft + key.offsetWidth, top + key.offsetTop + key.offsetHeight]);
  const within = (box) => box[0] >= left && box[1] >= top && box[2] <= left + room.x && box[3] <= top + room.y;
  const free = (box) => !taken.some((o) => box[0] < o[2] && box[2] > o[0] && box[1] < o[3] && box[3] > o[1]);

  for (const point of season.points) {
    const x = point.x * scale + ox, y = oy - point.y * scale;
    context.fillStyle = '#ffffff';
    context.strokeStyle = INK;
    context.lineWidth = 2;
    context.beginPath();
    if (point.kind === 'workshop') context.rect(x - 6, y - 6, 12, 12);
    else context.moveTo(x, y - 7), context.lineTo(x + 7, y), context.lineTo(x, y + 7), context.lineTo(x - 7, y), context.closePath();
    context.fill();
    context.stroke();
    if (point.kind === 'workshop') {
      context.fillStyle = INK;
      context.fillRect(x - 2.5, y - 2.5, 5, 5);
    }
  }

  if (shown.field >= 0) painter.outline(view, shown.field);
  const labels = shown.site >= 0 ? paintWays(view) : [];

  badges = groupSites(view);
  for (const group of badges) {
    Object.assign(group, week === SEASON ? ofSeason(group) : ofWeek(group, week));
    group.doubtful = group.sites.length === 1 && season.sites[group.sites[0]].sure?.word === 'doubtful';
    group.r = group.barrels ? radius(group.barrels) : week === SEASON ? 7 * big : 6;
    group.box = [group.x - group.r - 3, group.y - group.r - 3, group.x + group.r + 3, group.y + group.r + 3];
    if (group.barrels) taken.push(group.box);
  }
  for (const [i, village] of season.villages.entries()) {
    if (village.x == null) continue;
    disc(context, village.x * scale + ox, oy - village.y * scale, 4.5, '#ffffff');
    disc(context, village.x * scale + ox, oy - village.y * scale, 3, shown.village >= 0 && shown.village !== i ? '#8a9099' : INK);
  }
  badges.sort((a, b) => a.barrels - b.barrels);
  for (const group of badges) {
    stamp(view, group.x, group.y, group.r, { ...group, grouped: group.sites.length > 1, chosen: group.sites.includes(shown.site) && shown.site >= 0 });
  }

  context.textBaseline = 'middle';
  context.font = `600 ${12 * big}px ${FONT}`;
  for (const { x, y, text } of labels) {
    const half = context.measureText(text).width / 2 + 3;
    const box = [x - half, y - 9 * big, x + half, y + 9 * big];
    if (!free(box)) continue;
    taken.push(box);
    context.textAlign = 'center';
    haloed(context, text, x, y, WAY, '#ffffff');
  }

  let names = 0;
  const order = season.villages.map((_, i) => i).filter((i) => season.villages[i].x != null)
    .sort((a, b) => (b === shown.village) - (a === shown.village) || season.villages[b].barrel_weeks - season.villages[a].barrel_weeks || season.villages[b].fields - season.villages[a].fields);
  for (const i of order) {
    const village = season.villages[i];
    const x = village.x * scale + ox, y = oy - village.y * scale;
    if (!within([x, y, x, y])) continue;
    if (names > 90) break;
    const size = (village.deploy ? 14 : 12.5) * big;
    const font = `${village.deploy ? 700 : 500} ${size}px ${FONT}`;
    if (village.font !== font) {
      context.font = font;
      [village.font, village.wide] = [font, context.measureText(village.name).width];
    }
    const wide = village.wide;
    const dim = shown.village >= 0 && shown.village !== i;
    const places = [[x + 8, 'left'], [x - 8, 'right'], [x, 'center', -13 * big], [x, 'center', 13 * big],
      [x, 'center', 34 * big], [x, 'center', -34 * big]];
    for (const [px, align, shift = 0] of places) {
      const from = align === 'left' ? px : align === 'right' ? px - wide : px - wide / 2;
      const box = [from - 2, y + shift - size * 0.65, from + wide + 2, y + shift + size * 0.65];
      if (!free(box) || !within(box)) continue;
      taken.push(box);
      names++;
      context.textAlign = align;
      context.font = font;
      haloed(context, village.name, px, y + shift, dim ? '#6b7280' : INK, 'rgba(255,255,255,.92)');
      break;
    }
  }

  const width = Math.max(40, Math.min(72, season.weeks.length * 1.8)) * big, height = 15 * big;
  const seen = badges.filter((g) => g.x > 0 && g.y > 0 && g.x < view.width && g.y < view.height);
  if (seen.length * width * height * 2.4 < 0.07 * view.width * view.height) {
    taken.push(...seen.filter((g) => !g.barrels).map((g) => g.box));
    for (const group of seen) {
      if (group.sites.length > 1) continue;
      const site = season.sites[group.sites[0]];
      const x = group.x - width / 2, y = group.y + group.r + 5;
      const box = [x - 4, y - 1, x + width + 4, y + height + 6];
      if (!free(box)) continue;
      taken.push(box);
      spark(context, x, y, width, height, site.barrels, site.busy, week, season.most);
    }
  }
}

function paintWays(view) {
  const { carry, ways } = season;
  const all = new Map(), now = new Map(), wayOf = new Map();
  for (let w = 0; w < ways.field.length; w++) if (ways.site[w] === shown.site) wayOf.set(ways.field[w], w);
  for (let c = 0; c < carry.field.length; c++) {
    if (carry.site[c] !== shown.site) continue;
    const way = wayOf.get(carry.field[c]);
    if (way === undefined) continue;
    all.set(way, (all.get(way) || 0) + carry.kg[c]);
    if (carry.week[c] === shown.week) now.set(way, (now.get(way) || 0) + carry.kg[c]);
  }
  const strongest = Math.max(1, sum([...all.values()]));
  painter.flow(view, all, strongest, false);
  painter.flow(view, now, strongest, true);
  const told = [...(now.size ? now : all)].sort((a, b) => b[1] - a[1]).slice(0, 14);
  return told.map(([way]) => {
    const node = ways.end[way];
    return {
      x: ways.xy[2 * node] * view.scale + view.ox, y: view.oy - ways.xy[2 * node + 1] * view.scale,
      text: t('route.label', { metres: number(ways.m[way]), minutes: number(ways.minutes[way]) }),
    };
  });
}

function badgeAt(point, reach) {
  const corner = sheets.marks._bounds.min;
  const x = point.x - corner.x, y = point.y - corner.y;
  let best = null, least = Infinity;
  for (const group of badges) {
    const far = Math.hypot(group.x - x, group.y - y);
    if (far < Math.max(group.r + 3, reach) && far < least) [best, least] = [group, far];
  }
  return best;
}

function clicked(event) {
  const touch = event.originalEvent?.pointerType === 'touch';
  const group = badgeAt(event.layerPoint, touch ? 24 : 12);
  if (group && group.sites.length > 1 && map.getZoom() < 18) {
    const places = group.sites.map((s) => ground(season.sites[s].x, season.sites[s].y));
    map.fitBounds(L.latLngBounds(places).pad(0.4), { maxZoom: Math.max(16, map.getZoom() + 2) });
    return;
  }
  if (group) return choose({ site: group.sites[0] });
  const p = map.options.crs.project(event.latlng);
  const i = shapeAt(season.shapes, p.x - season.origin[0], p.y - season.origin[1], (f) => painter.state[f] !== HIDDEN);
  choose(i >= 0 ? { field: i } : {});
}

const ground = (x, y) => map.options.crs.unproject(L.point(x + season.origin[0], y + season.origin[1]));
