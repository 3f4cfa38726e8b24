// The page round the map: the week, the lists, the search, the address.

const FONT = '"Noto Sans", "Noto Sans Devanagari", system-ui, -apple-system, "Segoe UI", Roboto, sans-serif';
const at = (id) => document.getElementById(id);
const shown = { week: 0, village: -1, crop: -1, site: -1, field: -1, large: false };
let season, painter, map, sheets, timer = 0, badges = [], groupsFor = '';

function t(key, named) {
  const text = season.words[key];
  return named ? text.replace(/\{(\w+)\}/g, (_, name) => named[name]) : text;
}

function digits(text) {
  if (season.numbers.digits === '0123456789') return String(text);
  const signs = [...season.numbers.digits];
  return String(text).replace(/\d/g, (d) => signs[d]);
}

// As Words.number in sourcing/words.py.
function number(value, places = 0) {
  let [whole, part] = Math.abs(value).toFixed(places).split('.');
  const sizes = [...season.numbers.grouping];
  const groups = [];
  while (whole) {
    const size = sizes.length > 1 ? sizes.shift() : sizes[0];
    groups.unshift(whole.slice(-size));
    whole = whole.slice(0, -size);
  }
  return digits((value < 0 ? '−' : '') + groups.join(season.numbers.group) + (part ? season.numbers.decimal + part : ''));
}

const tonnes = (kg) => number(kg / 1000, kg < 99500 ? 1 : 0);
const mass = (kg) => (kg == null ? '–' : kg < 1000 ? `${number(kg)} ${t('unit.kg')}` : `${tonnes(kg)} ${t('unit.t')}`);
const metres = (m) => (m == null ? '–' : `${number(m)} ${t('unit.m')}`);

function el(tag, props = {}, ...kids) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (name.startsWith('on')) node.addEventListener(name.slice(2), value);
    else if (name === 'text') node.textContent = value;
    else if (value !== false && value != null) node.setAttribute(name, value === true ? '' : value);
  }
  node.append(...kids.filter((kid) => kid != null));
  return node;
}

function svg(tag, props, ...kids) {
  const node = document.createElementNS('http://www.w3.org/2000/svg', tag);
  for (const [name, value] of Object.entries(props)) node.setAttribute(name, value);
  node.append(...kids);
  return node;
}

const sum = (list) => list.reduce((a, b) => a + b, 0);
const weekSpan = (w) => `${season.weeks[w].days}`;

// --- what is true in a week -----------------------------------------------------------------------------------------

const inView = (site) => shown.village < 0 || season.sites[site].village === shown.village;
const isSeveral = (barrels, busy) => barrels >= season.several && busy >= season.floor - 1e-9;

function fieldStates(week) {
  const { field, carry } = season;
  const { state } = painter;
  const n = season.fields.count;
  const gone = new Float64Array(n);
  const nowCarried = new Uint8Array(n);
  for (let c = 0; c < carry.field.length; c++) {
    if (carry.week[c] <= week) gone[carry.field[c]] += carry.taken[c];
    if (carry.week[c] === week) nowCarried[carry.field[c]] = 1;
  }
  for (let i = 0; i < n; i++) {
    if ((shown.village >= 0 && field.village[i] !== shown.village) || (shown.crop >= 0 && field.crop[i] !== shown.crop)) state[i] = HIDDEN;
    else if (nowCarried[i]) state[i] = 3;
    else if (week < field.ready[i] || field.free[i] <= 0) state[i] = 0;
    else if (gone[i] >= field.free[i] / 2) state[i] = 4;
    else if (week <= field.clear[i]) state[i] = field.clear[i] - week < season.soon ? 2 : 1;
    else state[i] = 5;
  }
}

// --- the map ----------------------------------------------------------------------------------------------------------

function radius(barrels) {
  return (9 + 3 * Math.sqrt(Math.min(barrels, 60))) * (shown.large ? 1.5 : 1);
}

// Sites that would lie on one another are shown as one; who joins whom does not depend on the week.
function groupSites(view) {
  const key = [view.scale, view.ox, view.oy, shown.village, shown.site, shown.large].join();
  if (key === groupsFor) return badges;
  groupsFor = key;
  const gap = 2 * radius(4);
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

function paintMarks(view) {
  const { context, scale, ox, oy } = view;
  const week = shown.week;
  const big = shown.large ? 1.4 : 1;
  const taken = [];
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
    group.barrels = sum(group.sites.map((s) => season.sites[s].barrels[week]));
    const hours = sum(group.sites.map((s) => season.sites[s].barrels[week] * season.sites[s].busy[week]));
    group.busy = group.barrels ? hours / group.barrels : 0;
    group.several = group.sites.some((s) => isSeveral(season.sites[s].barrels[week], season.sites[s].busy[week]));
    group.doubtful = group.sites.length === 1 && season.sites[group.sites[0]].sure?.word === 'doubtful';
    group.r = group.barrels ? radius(group.barrels) : 6;
    group.box = [group.x - group.r - 3, group.y - group.r - 3, group.x + group.r + 3, group.y + group.r + 3];
    if (group.barrels) taken.push(group.box);
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
    if (x < -50 || y < -50 || x > view.width + 50 || y > view.height + 50) continue;
    if (names > 90) break;
    const size = (village.deploy ? 14 : 12.5) * big;
    const font = `${village.deploy ? 700 : 500} ${size}px ${FONT}`;
    if (village.font !== font) {
      context.font = font;
      [village.font, village.wide] = [font, context.measureText(village.name).width];
    }
    const wide = village.wide;
    const dim = shown.village >= 0 && shown.village !== i;
    disc(context, x, y, 4.5, '#ffffff');
    disc(context, x, y, 3, dim ? '#8a9099' : INK);
    const places = [[x + 8, 'left'], [x - 8, 'right'], [x, 'center', -13 * big], [x, 'center', 13 * big],
      [x, 'center', 34 * big], [x, 'center', -34 * big]];
    for (const [px, align, shift = 0] of places) {
      const left = align === 'left' ? px : align === 'right' ? px - wide : px - wide / 2;
      const box = [left - 2, y + shift - size * 0.65, left + wide + 2, y + shift + size * 0.65];
      if (!free(box)) continue;
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

// --- choosing ---------------------------------------------------------------------------------------------------------

function choose({ site = -1, field = -1 }) {
  shown.site = site;
  shown.field = field;
  drawDetail();
  if (sheets) sheets.marks.paint();
  keepAddress();
}

function filter(name, value) {
  shown[name] = value;
  at(name).value = value;
  if (name === 'village') {
    if (shown.site >= 0 && !inView(shown.site)) shown.site = -1;
    markVillage();
  }
  setWeek(shown.week);
  drawDetail();
}

function markVillage() {
  for (const item of at('ranks').children) item.classList.toggle('chosen', +item.dataset.village === shown.village);
}

function goTo(box, pad = 0.15) {
  map.fitBounds(L.latLngBounds(box).pad(pad), { maxZoom: 17 });
}

function goToVillage(v) {
  const box = [];
  const { box: boxes } = season.shapes;
  for (let i = 0; i < season.fields.count; i++) {
    if (season.field.village[i] === v) box.push(ground(boxes[4 * i], boxes[4 * i + 1]), ground(boxes[4 * i + 2], boxes[4 * i + 3]));
  }
  for (const site of season.sites) if (site.village === v) box.push(ground(site.x, site.y));
  if (season.villages[v].x != null) box.push(ground(season.villages[v].x, season.villages[v].y));
  if (box.length) goTo(box, 0.05);
}

function goToSite(s) {
  const { ways } = season;
  const box = [ground(season.sites[s].x, season.sites[s].y)];
  for (let w = 0; w < ways.field.length; w++) if (ways.site[w] === s) box.push(ground(ways.xy[2 * ways.end[w]], ways.xy[2 * ways.end[w] + 1]));
  goTo(box);
}

function goToField(i) {
  const { box } = season.shapes;
  goTo([ground(box[4 * i], box[4 * i + 1]), ground(box[4 * i + 2], box[4 * i + 3])], 2.5);
}

// --- the week ---------------------------------------------------------------------------------------------------------

function setWeek(week) {
  shown.week = Math.max(0, Math.min(season.weeks.length - 1, week));
  const w = shown.week;
  const here = season.sites.map((_, i) => i).filter((i) => inView(i) && season.sites[i].barrels[w] > 0);
  const standing = sum(here.map((i) => season.sites[i].barrels[w]));
  const work = sum(here.map((i) => season.sites[i].barrels[w] * season.sites[i].busy[w]));
  const busy = work > 0 && work < 1 ? t('now.under_one') : number(Math.round(work));
  const residue = sum(here.map((i) => season.sites[i].residue[w]));
  const mine = season.sites.filter((_, i) => inView(i));
  const done = sum(mine.map((site) => site.soFar[w]));
  const all = sum(mine.map((site) => site.soFar[season.weeks.length - 1]));
  const said = `${weekSpan(w)} (${digits(season.weeks[w].label)})`;

  at('week').value = w;
  at('week').setAttribute('aria-valuetext', said);
  at('days').textContent = season.weeks[w].days;
  at('weekname').textContent = `${digits(season.weeks[w].label)} · ${t('week.of', { n: number(w + 1), count: number(season.weeks.length) })}`;
  at('figures').replaceChildren(...[
    ['now.standing', number(standing), 'standing'], ['now.busy', busy, 'busy'],
    ['now.sites', number(here.length), 'places'], ['now.residue', tonnes(residue), 'residue'],
  ].map(([key, value, id]) => el('div', {}, el('dt', { text: t(key) }), el('dd', { text: value, id: `now-${id}` }))));
  const store = season.fleet[w] - standing;
  at('sofar').textContent = t('now.so_far', { done: tonnes(done), all: tonnes(all) }) +
    (shown.village < 0 && store > 0 ? ` · ${t('now.free', { n: number(store), fleet: number(season.fleet[w]) })}` : '');
  at('status').textContent = t('now.status', { week: said, standing: number(standing), sites: number(here.length), busy });
  document.documentElement.style.setProperty('--week', w);
  if (!at('sites').hidden) drawSites(here);
  if (shown.site >= 0 || shown.field >= 0) drawDetail();
  if (at('table').open) markColumn();
  if (sheets) {
    fieldStates(w);
    sheets.fields.paint();
    sheets.marks.paint();
  }
  keepAddress();
}

function drawSites(here = season.sites.map((_, i) => i).filter((i) => inView(i) && season.sites[i].barrels[shown.week] > 0)) {
  const rows = here.sort((a, b) => season.sites[b].barrels[shown.week] - season.sites[a].barrels[shown.week] || season.sites[b].busy[shown.week] - season.sites[a].busy[shown.week]).map((i) => {
    const site = season.sites[i];
    const barrels = site.barrels[shown.week], busy = site.busy[shown.week];
    return el('tr', { 'data-site': site.id, class: isSeveral(barrels, busy) ? 'several' : null },
      el('td', {}, el('button', { type: 'button', class: 'plain', text: site.name, onclick: () => { choose({ site: i }); goToSite(i); } }),
        el('span', { class: 'of', text: [site.name.startsWith(nameOf(site)) ? '' : nameOf(site), site.sure && t(`sure.${site.sure.word}`)].filter(Boolean).join(' · ') })),
      el('td', { class: 'n' }, el('b', { text: number(barrels) })),
      el('td', { class: 'n', text: `${number(100 * busy)} %` }),
      el('td', {}, sparkline(site.barrels, site.busy)));
  });
  at('sitelist').replaceChildren(rows.length
    ? el('table', {}, el('thead', {}, el('tr', {}, ...['site.site', 'site.barrels', 'site.busy', 'site.season'].map((key, i) => el('th', { scope: 'col', class: i === 1 || i === 2 ? 'n' : null, text: t(key) })))), el('tbody', {}, ...rows))
    : el('p', { class: 'lead', text: t('site.none') }));
}

// A season as bars: barrels standing, their busy part dark; the mark shows the week chosen.
function sparkline(barrels, busy, most = season.most) {
  const n = barrels.length;
  const bars = (height) => barrels.map((b, i) => (b ? `M${i + 0.06} 1h.88v${-height(i) / most}h-.88z` : '')).join('');
  return svg('svg', { class: 'spark', viewBox: `0 0 ${n} 1`, preserveAspectRatio: 'none', 'aria-hidden': 'true' },
    svg('path', { class: 'there', d: bars((i) => barrels[i]) }),
    svg('path', { class: 'busy', d: bars((i) => barrels[i] * busy[i]) }),
    svg('rect', { class: 'mark', x: 0, y: 0, width: 1, height: 1 }));
}

function play(on) {
  clearInterval(timer);
  timer = 0;
  if (on) {
    if (shown.week === season.weeks.length - 1) setWeek(0);
    timer = setInterval(() => {
      setWeek(shown.week + 1);
      if (shown.week === season.weeks.length - 1) play(false);
    }, 900);
  }
  const said = t(on ? 'week.stop' : 'week.play');
  at('play').setAttribute('aria-pressed', on);
  at('play').setAttribute('aria-label', said);
  at('play').title = said;
}

// --- the panel --------------------------------------------------------------------------------------------------------

function facts(pairs) {
  return el('dl', { class: 'facts' }, ...pairs.filter(Boolean).map(([name, value]) => el('div', {}, el('dt', { text: name }), el('dd', { text: value }))));
}

function drawDetail() {
  const box = at('detail');
  const close = el('button', { type: 'button', class: 'close', 'aria-label': t('detail.close'), text: '×', onclick: () => { choose({}); at('search').focus(); } });
  if (shown.site >= 0) box.replaceChildren(close, ...siteDetail(shown.site));
  else if (shown.field >= 0) box.replaceChildren(close, ...fieldDetail(shown.field));
  else box.replaceChildren();
  box.hidden = shown.site < 0 && shown.field < 0;
}

function siteDetail(i) {
  const site = season.sites[i];
  const w = shown.week;
  const { carry, ways } = season;
  const wayOf = new Map();
  for (let k = 0; k < ways.field.length; k++) if (ways.site[k] === i) wayOf.set(ways.field[k], k);
  const loads = [];
  for (let c = 0; c < carry.field.length; c++) if (carry.site[c] === i) loads.push(c);
  loads.sort((a, b) => (carry.week[b] === w) - (carry.week[a] === w) || carry.week[a] - carry.week[b] || carry.kg[b] - carry.kg[a]);
  const ids = season.fieldIds();
  const told = loads.slice(0, 60);
  return [
    el('h2', { text: site.name }),
    el('p', { class: 'lead', text: season.villages[site.village]?.name ?? '' }),
    el('p', { class: 'say', text: site.barrels[w] ? t('site.now', { barrels: number(site.barrels[w]), busy: number(100 * site.busy[w]) }) : t('site.empty') }),
    site.sure ? el('p', { class: 'lead', text: t('sure.line', { word: t(`sure.${site.sure.word}`), chance: number(site.sure.chance), several: number(site.sure.several) }) }) : null,
    el('div', { class: 'wide' }, sparkline(site.barrels, site.busy)),
    facts([
      [t('site.several', { several: number(season.several) }), number(site.several)], [t('site.barrel_weeks'), number(site.barrel_weeks)],
      [t('site.residue'), mass(sum(site.residue))], [t('site.char'), mass(sum(site.char))], [t('site.carry'), metres(site.carry)],
    ]),
    el('h3', { text: t('route.title') }),
    season.straight ? el('p', { class: 'lead', text: t('route.straight') }) : null,
    el('table', { id: 'ways' }, el('thead', {}, el('tr', {}, ...['route.field', 'route.week', 'route.mass', 'route.distance', 'route.minutes'].map((key, k) => el('th', { scope: 'col', class: k ? 'n' : null, text: t(key) })))),
      el('tbody', {}, ...told.map((c) => {
        const way = wayOf.get(carry.field[c]);
        return el('tr', { class: carry.week[c] === w ? 'now' : null },
          el('td', {}, el('button', { type: 'button', class: 'plain', text: ids[carry.field[c]], onclick: () => { choose({ field: carry.field[c] }); goToField(carry.field[c]); } })),
          el('td', { class: 'n', text: digits(season.weeks[carry.week[c]].label.slice(5)) }), el('td', { class: 'n', text: number(carry.kg[c]) }),
          el('td', { class: 'n', text: way === undefined ? '–' : number(ways.m[way]) }), el('td', { class: 'n', text: way === undefined ? '–' : number(ways.minutes[way]) }));
      }))),
    loads.length > told.length ? el('p', { class: 'lead', text: t('route.more', { n: number(loads.length - told.length) }) }) : null,
  ].filter(Boolean);
}

function fieldDetail(i) {
  const { field, carry } = season;
  const loads = [];
  for (let c = 0; c < carry.field.length; c++) if (carry.field[c] === i) loads.push(c);
  const state = STATES[painter.state[i]];
  return [
    el('h2', { text: `${t('field.title')} ${season.fieldIds()[i]}` }),
    el('p', { class: 'lead', text: [season.villages[field.village[i]]?.name, t(field.estimated[i] ? 'field.estimated' : 'field.surveyed')].filter(Boolean).join(' · ') }),
    state ? el('p', { class: 'say' }, swatch(painter.state[i]), t(`state.${state}`, { n: number(season.soon) })) : null,
    facts([
      [t('field.crop'), season.crops[field.crop[i]].name], [t('field.area'), `${number(field.area[i] / 100, 2)} ${t('unit.ha')}`],
      [t('field.free'), mass(field.free[i])], [t('field.carried'), mass(sum(loads.map((c) => carry.kg[c])))], [t('field.lost'), mass(field.lost[i])],
      [t('field.ready'), nameOfWeek(field.ready[i])], [t('field.clear'), nameOfWeek(field.clear[i])],
    ]),
    loads.length ? el('h3', { text: t('field.to') }) : el('p', { text: t('field.nowhere') }),
    el('ul', { class: 'list' }, ...loads.map((c) => el('li', {},
      el('button', { type: 'button', class: 'plain', text: season.sites[carry.site[c]].name, onclick: () => choose({ site: carry.site[c] }) }),
      ` ${digits(season.weeks[carry.week[c]].label)}, ${mass(carry.kg[c])}`))),
  ].filter(Boolean);
}

const nameOf = (site) => season.villages[site.village]?.name ?? '';
const nameOfWeek = (w) => (season.weeks[w] ? season.weeks[w].days : '–');

function drawRanking() {
  at('ranks').replaceChildren(...season.villages.map((village, i) => {
    const sites = season.sites.filter((s) => s.village === i);
    const barrels = season.weeks.map((_, w) => sum(sites.map((s) => s.barrels[w])));
    const busy = season.weeks.map((_, w) => (barrels[w] ? sum(sites.map((s) => s.barrels[w] * s.busy[w])) / barrels[w] : 0));
    return el('li', { 'data-village': i, 'data-id': village.id, class: village.deploy ? null : 'without' },
      el('button', { type: 'button', class: 'plain', text: village.name, onclick: () => { filter('village', i); goToVillage(i); } }),
      village.estimated > 0.5 ? el('span', { class: 'tag', text: t('rank.estimated') }) : null,
      village.deploy ? el('span', { class: 'score' }, el('b', { text: number(village.several) }), ` ${t('rank.weeks_short')}`) : el('span', { class: 'score', text: t('rank.none') }),
      village.deploy ? sparkline(barrels, busy, Math.max(season.most, ...barrels)) : null,
      el('p', { text: village.reason }));
  }));
}

function drawChart() {
  const n = season.weeks.length;
  const there = season.weeks.map((_, w) => sum(season.sites.map((s) => s.barrels[w])));
  const busy = season.weeks.map((_, w) => sum(season.sites.map((s) => s.barrels[w] * s.busy[w])));
  const most = Math.max(1, ...there, ...season.fleet);
  const bars = (list) => list.map((v, i) => `M${i + 0.08} 1h.84v${-v / most}h-.84z`).join('');
  const fleet = season.fleet.map((f, i) => `${i ? 'L' : 'M'}${i} ${1 - f / most}H${i + 1}`).join('');
  at('track').style.setProperty('--last', Math.max(1, n - 1));
  at('chart').replaceChildren(svg('svg', { viewBox: `0 0 ${n} 1`, preserveAspectRatio: 'none' },
    svg('path', { class: 'there', d: bars(there) }), svg('path', { class: 'busy', d: bars(busy) }),
    svg('path', { class: 'fleet', d: fleet }), svg('rect', { class: 'mark', x: 0, y: 0, width: 1, height: 1 })));
  let last = '';
  at('months').replaceChildren(...season.weeks.flatMap(({ month }, i) => {
    if (month === last) return [];
    last = month;
    const label = el('span', { text: month });
    label.style.setProperty('--at', i / Math.max(1, n - 1));
    return [label];
  }));
  const months = [...at('months').children];
  months.forEach((label, i) => {
    const after = months[i + 1];
    if (after && after.style.getPropertyValue('--at') - label.style.getPropertyValue('--at') < 0.07) label.remove();
  });
}

function swatch(state) {
  const canvas = el('canvas', { class: 'swatch', width: 44, height: 28, 'aria-hidden': 'true' });
  const context = canvas.getContext('2d');
  const name = STATES[state];
  context.fillStyle = season.palette[name];
  if (season.hatch[name]) context.fillStyle = context.createPattern(hatchTile(season.palette[name], season.hatch[name][0], name, 2), 'repeat');
  context.fillRect(0, 0, 44, 28);
  context.strokeStyle = 'rgba(45,52,62,.5)';
  context.lineWidth = 2;
  context.strokeRect(0, 0, 44, 28);
  return canvas;
}

function sample(paint, width = 44, height = 32) {
  const canvas = el('canvas', { class: 'swatch tall', width: 2 * width, height: 2 * height, 'aria-hidden': 'true' });
  canvas.style.width = `${width}px`;
  canvas.style.height = `${height}px`;
  const context = canvas.getContext('2d');
  context.scale(2, 2);
  paint(context, width / 2, height / 2);
  return canvas;
}

function drawLegend() {
  const line = (picture, text) => el('li', {}, picture, el('span', { text }));
  const several = season.several;
  const groups = [
    ['legend.fields', [
      ...STATES.map((name, s) => line(swatch(s), t(`state.${name}`, { n: number(season.soon) }))),
      season.field.estimated.some(Boolean) ? line(sample((c, x, y) => { c.setLineDash([4, 3]); c.lineWidth = 1.6; c.strokeRect(x - 10, y - 6, 20, 12); }, 22, 14), t('legend.estimated')) : null,
    ]],
    ['legend.sites', [
      line(sample((c, x, y) => badge(c, x, y, 13, { barrels: Math.max(4, several), busy: 0.8, several: true })), t('legend.several', { several: number(several), floor: number(100 * season.floor) })),
      line(sample((c, x, y) => badge(c, x, y, 12, { barrels: Math.max(1, several - 1), busy: 0.4 })), t('legend.fewer')),
      line(sample((c, x, y) => badge(c, x, y, 12, { barrels: 0 }), 44, 16), t('legend.idle')),
      el('li', { class: 'note', text: t('legend.ring') }),
      season.sites.some((s) => s.sure) ? line(sample((c, x, y) => badge(c, x, y, 10, { barrels: 2, busy: 0.6, doubtful: true })), t('legend.doubtful')) : null,
      line(sample((c, x, y) => { c.strokeStyle = WAY; c.lineCap = 'round'; c.lineWidth = 5; c.beginPath(); c.moveTo(x - 2, y); c.lineTo(x + 16, y); c.stroke(); c.lineWidth = 2; c.beginPath(); c.moveTo(x - 16, y); c.lineTo(x, y); c.stroke(); }, 44, 14), t('legend.route')),
    ]],
    ['legend.land', [
      season.relief ? line(sample((c, x, y) => { const g = c.createLinearGradient(x - 10, 0, x + 10, 0); g.addColorStop(0, '#ffffff'); g.addColorStop(1, '#a9a69e'); c.fillStyle = g; c.fillRect(x - 10, y - 6, 20, 12); }, 22, 14), t('legend.relief')) : null,
      line(sample((c, x, y) => disc(c, x, y, 3.5, INK), 22, 14), t('legend.village')),
      ...new Map(season.layers.map((layer) => [layer.kind, layer])).values().map((layer) => line(sample((c, x, y) => {
        const style = LAND[layer.kind] || LAND.other;
        c.fillStyle = style.fill;
        c.strokeStyle = style.edge;
        c.lineWidth = layer.area ? 1 : style.width || 1.2;
        if (layer.area) c.fillRect(x - 10, y - 6, 20, 12), c.strokeRect(x - 10, y - 6, 20, 12);
        else c.beginPath(), c.moveTo(x - 11, y + 2), c.quadraticCurveTo(x, y - 6, x + 11, y + 1), c.stroke();
      }, 22, 14), t(`legend.${LAND[layer.kind] ? layer.kind : 'other'}`))),
      ...[...new Set(season.points.map((p) => p.kind))].map((kind) => line(sample((c, x, y) => {
        c.lineWidth = 1.6;
        if (kind === 'workshop') c.strokeRect(x - 5, y - 5, 10, 10), c.fillRect(x - 2, y - 2, 4, 4);
        else c.beginPath(), c.moveTo(x, y - 6), c.lineTo(x + 6, y), c.lineTo(x, y + 6), c.lineTo(x - 6, y), c.closePath(), c.stroke();
      }, 22, 14), t(`legend.${kind}`))),
    ]],
  ];
  at('legendbody').replaceChildren(...groups.flatMap(([key, lines]) => [el('h3', { text: t(key) }), el('ul', {}, ...lines.filter(Boolean))]));
}

// A map from the internet behind the season's own: nothing is asked for until it is ticked.
function offerTiles() {
  const layer = L.tileLayer(season.tiles.url, { maxZoom: 20 });
  const credit = el('span', { class: 'credit', text: season.tiles.credit, hidden: true });
  const box = el('input', { type: 'checkbox', id: 'tiles', onchange: () => {
    if (box.checked) layer.addTo(map);
    else layer.remove();
    credit.hidden = !box.checked;
  } });
  at('legend').append(el('label', { class: 'tiles' }, box, t('map.online')), credit);
}

function drawTable() {
  const head = el('tr', {}, el('th', { scope: 'col', text: t('table.site') }), ...season.weeks.map((week, w) => el('th', { scope: 'col', class: 'w' },
    el('button', { type: 'button', class: 'plain', title: week.days, onclick: () => setWeek(w) }, el('span', { text: digits(week.label.slice(5)) }), el('small', { text: week.short })))));
  const cells = (barrels, busy) => season.weeks.map((_, w) => el('td', { class: isSeveral(barrels[w], busy[w]) ? 'several' : null },
    ...(barrels[w] ? [el('b', { text: number(barrels[w]) }), el('small', { text: number(100 * busy[w]) })] : [])));
  const order = season.sites.map((_, i) => i).sort((a, b) => season.sites[b].several - season.sites[a].several || season.sites[b].barrel_weeks - season.sites[a].barrel_weeks);
  const all = season.weeks.map((_, w) => sum(season.sites.map((s) => s.barrels[w])));
  const allBusy = season.weeks.map((_, w) => (all[w] ? sum(season.sites.map((s) => s.barrels[w] * s.busy[w])) / all[w] : 0));
  at('tablebody').replaceChildren(el('table', {},
    el('colgroup', {}, el('col'), ...season.weeks.map((_, w) => el('col', { 'data-week': w }))),
    el('thead', {}, head),
    el('tbody', {}, ...order.map((i) => el('tr', { 'data-site': season.sites[i].id }, el('th', { scope: 'row' }, season.sites[i].name, el('small', { text: season.villages[season.sites[i].village]?.name ?? '' })), ...cells(season.sites[i].barrels, season.sites[i].busy)))),
    el('tfoot', {}, el('tr', {}, el('th', { scope: 'row', text: t('table.all') }), ...cells(all, allBusy)))));
  markColumn();
}

function markColumn() {
  for (const col of at('tablebody').querySelectorAll('col[data-week]')) col.classList.toggle('current', +col.dataset.week === shown.week);
}

function showTab(name, focus) {
  for (const one of ['ranking', 'sites']) {
    const on = one === name;
    at(one).hidden = !on;
    at(`tab-${one}`).setAttribute('aria-selected', on);
    at(`tab-${one}`).tabIndex = on ? 0 : -1;
    if (on && focus) at(`tab-${one}`).focus();
    if (on && one === 'sites') drawSites();
  }
}

function search() {
  const wanted = at('search').value.trim().toLocaleLowerCase();
  const found = [];
  const add = (name, kind, go) => found.length < 9 && found.push(el('li', {}, el('button', { type: 'button', onclick: go }, el('span', { text: name }), el('small', { text: kind }))));
  if (wanted) {
    season.villages.forEach((v, i) => v.name.toLocaleLowerCase().includes(wanted) && add(v.name, t('find.village'), () => { filter('village', i); goToVillage(i); }));
    season.sites.forEach((s, i) => s.name.toLocaleLowerCase().includes(wanted) && add(s.name, season.villages[s.village]?.name ?? '', () => { choose({ site: i }); goToSite(i); }));
    const ids = season.fieldIds();
    for (let i = 0; i < ids.length && found.length < 9; i++) if (ids[i].toLocaleLowerCase().includes(wanted)) add(ids[i], t('field.title'), () => { choose({ field: i }); goToField(i); });
    if (!found.length) found.push(el('li', { class: 'lead', text: t('find.none') }));
  }
  at('found').replaceChildren(...found);
}

// --- the address ------------------------------------------------------------------------------------------------------

let later = 0;

function keepAddress() {
  clearTimeout(later);
  later = setTimeout(() => history.replaceState(null, '', `#${address()}`), 120);
}

function address() {
  const parts = new URLSearchParams();
  parts.set('week', season.weeks[shown.week].label);
  if (shown.village >= 0) parts.set('village', season.villages[shown.village].id);
  if (shown.crop >= 0) parts.set('crop', season.crops[shown.crop].key);
  if (shown.site >= 0) parts.set('site', season.sites[shown.site].id);
  if (shown.field >= 0) parts.set('field', season.fieldIds()[shown.field]);
  if (shown.large) parts.set('view', 'large');
  const c = map.getCenter();
  parts.set('at', `${map.getZoom()},${c.lat.toFixed(5)},${c.lng.toFixed(5)}`);
  return parts;
}

function readAddress() {
  const parts = new URLSearchParams(location.hash.slice(1));
  const find = (list, name) => (parts.has(name) ? list.findIndex((one) => one === parts.get(name)) : -1);
  shown.village = find(season.villages.map((v) => v.id), 'village');
  shown.crop = find(season.crops.map((c) => c.key), 'crop');
  shown.site = find(season.sites.map((s) => s.id), 'site');
  shown.field = parts.has('field') ? season.fieldIds().indexOf(parts.get('field')) : -1;
  const today = new Date().toISOString().slice(0, 10);
  const current = season.weeks.findIndex(({ monday, sunday }) => monday <= today && today <= sunday);
  const first = current >= 0 ? current : season.weeks.findIndex((_, w) => season.sites.some((s) => s.barrels[w]));
  const week = find(season.weeks.map((w) => w.label), 'week');
  shown.week = week >= 0 ? week : Math.max(0, first);
  setLarge(parts.get('view') === 'large');
  const [zoom, lat, lng] = (parts.get('at') ?? '').split(',').map(Number);
  if ([zoom, lat, lng].every(Number.isFinite) && parts.has('at')) map.setView([lat, lng], zoom, { animate: false });
  else if (shown.site >= 0) goToSite(shown.site);
  else if (shown.village >= 0) goToVillage(shown.village);
  else whole();
  at('village').value = shown.village;
  at('crop').value = shown.crop;
  markVillage();
  setWeek(shown.week);
  drawDetail();
}

// The whole season in view, clear of the legend where there is room beside it.
function whole() {
  const wide = map.getSize().x > 640 && at('legend').open;
  map.fitBounds(L.latLngBounds(season.bounds), {
    animate: false, maxZoom: 17, paddingTopLeft: [64, 24], paddingBottomRight: [wide ? at('legend').offsetWidth + 24 : 24, 30],
  });
}

// All sheets on one canvas: of several that lie on one another, printers get the topmost only.
function onPaper() {
  const box = map.getContainer().getBoundingClientRect();
  const fine = 2;
  const paper = el('canvas', { id: 'paper', width: Math.round(box.width * fine), height: Math.round(box.height * fine), 'aria-hidden': 'true' });
  const context = paper.getContext('2d');
  context.scale(fine, fine);
  for (const picture of map.getContainer().querySelectorAll('.leaflet-image-layer, .leaflet-overlay-pane canvas')) {
    const place = picture.getBoundingClientRect();
    context.drawImage(picture, place.x - box.x, place.y - box.y, place.width, place.height);
  }
  context.getImageData(0, 0, 1, 1); // drawn now, not when the browser next shows the page
  return paper;
}

function setLarge(on) {
  shown.large = on;
  document.body.classList.toggle('large', on);
  at('large').setAttribute('aria-pressed', on);
  if (map) map.invalidateSize({ animate: false });
}

// --- the start --------------------------------------------------------------------------------------------------------

async function start() {
  season = await readSeason();
  for (const site of season.sites) {
    let kg = 0;
    site.soFar = site.residue.map((r) => (kg += r));
  }
  season.most = Math.max(1, ...season.sites.map((s) => Math.max(...s.barrels)));
  painter = new Painter(season);
  map = window.map_season;
  map.setMaxBounds(L.latLngBounds(season.bounds).pad(1.5));
  const option = (value, text) => el('option', { value, text });
  at('village').replaceChildren(option(-1, t('find.all_villages')), ...season.villages.map((v, i) => [i, v.name]).sort((a, b) => a[1].localeCompare(b[1])).map((v) => option(...v)));
  at('crop').replaceChildren(option(-1, t('find.all_crops')), ...season.crops.map((c, i) => option(i, c.name)));
  drawRanking();
  drawChart();
  drawLegend();
  if (matchMedia('(max-width: 760px)').matches) at('legend').open = false;
  const age = Math.floor((Date.now() - Date.parse(season.made)) / 864e5);
  at('made').append(` (${age > 0 ? t('facts.age', { n: number(age) }) : t('facts.today')})`);

  L.control.zoom({ position: 'topleft', zoomInTitle: t('map.zoom_in'), zoomOutTitle: t('map.zoom_out') }).addTo(map);
  L.control.scale({ position: 'bottomleft', imperial: false, maxWidth: 140 }).addTo(map);
  if (season.relief) {
    map.createPane('relief').classList.add('relief');
    L.imageOverlay(season.relief.picture, season.relief.bounds, { pane: 'relief', interactive: false, alt: '' }).addTo(map);
  }
  if (season.tiles.url) offerTiles();
  const sheet = (paint) => new Sheet(paint, { origin: season.origin, padding: 0.12 });
  const drawn = {
    ground: sheet((view) => painter.ground(view)), fields: sheet((view) => painter.fields(view)),
    lines: sheet((view) => painter.lines(view)), marks: sheet(paintMarks),
  };
  readAddress();
  fieldStates(shown.week);
  sheets = drawn;
  for (const one of Object.values(sheets)) one.addTo(map);

  at('week').addEventListener('input', () => { play(false); setWeek(+at('week').value); });
  at('before').addEventListener('click', () => { play(false); setWeek(shown.week - 1); });
  at('after').addEventListener('click', () => { play(false); setWeek(shown.week + 1); });
  at('play').addEventListener('click', () => play(!timer));
  at('village').addEventListener('change', () => { const v = +at('village').value; filter('village', v); if (v >= 0) goToVillage(v); else whole(); });
  at('crop').addEventListener('change', () => filter('crop', +at('crop').value));
  at('search').addEventListener('input', search);
  at('whole').addEventListener('click', () => { filter('village', -1); filter('crop', -1); choose({}); whole(); });
  at('large').addEventListener('click', () => { setLarge(!shown.large); drawLegend(); setWeek(shown.week); });
  for (const name of ['ranking', 'sites']) {
    at(`tab-${name}`).addEventListener('click', () => showTab(name));
    at(`tab-${name}`).addEventListener('keydown', (event) => {
      if (event.key === 'ArrowLeft' || event.key === 'ArrowRight') showTab(name === 'sites' ? 'ranking' : 'sites', true);
    });
  }
  at('opentable').addEventListener('click', () => { drawTable(); at('table').showModal(); });
  at('closetable').addEventListener('click', () => at('table').close());
  map.on('click', clicked);
  map.on('moveend', keepAddress);
  map.on('mousemove', ({ layerPoint, containerPoint }) => {
    const group = badgeAt(layerPoint, 0);
    const tip = at('tip');
    tip.hidden = !group;
    map.getContainer().style.cursor = group ? 'pointer' : '';
    if (!group) return;
    const told = { barrels: number(group.barrels), busy: number(100 * group.busy) };
    tip.textContent = group.sites.length > 1 ? t('site.group', { n: number(group.sites.length), ...told })
      : `${season.sites[group.sites[0]].name}: ${group.barrels ? t('site.now', told) : t('site.empty')}`;
    tip.style.left = `${containerPoint.x + 14}px`;
    tip.style.top = `${containerPoint.y + 14}px`;
  });
  map.on('mouseout', () => { at('tip').hidden = true; });
  new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(at('mapbox'));
  window.addEventListener('hashchange', readAddress);
  const printing = (on) => {
    document.body.classList.toggle('printing', on);
    map.invalidateSize({ animate: false });
    if (on && shown.site < 0 && shown.village < 0) whole();
    at('paper')?.remove();
    if (on) at('mapbox').prepend(onPaper());
  };
  window.addEventListener('beforeprint', () => printing(true));
  window.addEventListener('afterprint', () => printing(false));
  document.body.dataset.ready = 'yes';
  performance.mark('season-ready');
}

start().catch((problem) => {
  console.error(problem);
  at('trouble').hidden = false;
});
