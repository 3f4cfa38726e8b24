// The page round the map: the week, the lists, the search, the address.

const FONT = '"Noto Sans", "Letters in this page", system-ui, -apple-system, "Segoe UI", Roboto, sans-serif';
const at = (id) => document.getElementById(id);
const SEASON = -1; // in place of a week: the whole season
const shown = { week: SEASON, village: -1, crop: -1, site: -1, field: -1, large: false };
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
const weeksSaid = (n) => (n === 1 ? t('unit.week_one') : t('unit.weeks', { n: number(n) })); // as Words.weeks
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
  const w = Math.max(SEASON, Math.min(season.weeks.length - 1, week));
  const turned = (w === SEASON) !== (shown.week === SEASON) || !at('legendbody').firstChild;
  shown.week = w;
  if (w === SEASON) tellSeason();
  else tellWeek(w);
  at('week').value = w;
  at('allweeks').setAttribute('aria-pressed', w === SEASON);
  document.body.classList.toggle('season', w === SEASON);
  at('tab-sites').textContent = t(w === SEASON ? 'site.title_season' : 'site.title');
  document.documentElement.style.setProperty('--week', w);
  if (turned) drawLegend();
  if (!at('sites').hidden) drawSites();
  if (shown.site >= 0 || shown.field >= 0) drawDetail();
  if (at('table').open) markColumn();
  if (sheets) {
    fieldStates(w);
    sheets.fields.paint();
    sheets.marks.paint();
  }
  keepAddress();
}

function tellFigures(pairs) {
  at('figures').replaceChildren(...pairs.map(([key, value, id]) => el('div', {}, el('dt', { text: t(key) }), el('dd', { text: value, id: `now-${id}` }))));
}

// The answer first: which sites keep several barrels busy, and how long.
function tellSeason() {
  const mine = season.sites.filter((_, i) => inView(i));
  const keep = bySeveral(mine).filter((site) => site.several > 0);
  const standing = season.weeks.map((_, w) => sum(mine.map((site) => site.barrels[w])));
  const answer = t('now.answer', { n: number(keep.length), all: number(mine.length), several: number(season.several) });
  at('week').setAttribute('aria-valuetext', t('week.season'));
  at('days').textContent = answer;
  at('weekname').textContent = `${t('week.season')} · ${season.span}`;
  tellFigures([
    ['now.most', number(Math.max(0, ...standing)), 'most'], ['site.barrel_weeks', number(sum(standing)), 'weeks'],
    ['now.sites', number(mine.length), 'places'], ['now.residue', tonnes(sum(mine.flatMap((site) => site.residue))), 'residue'],
  ]);
  at('sofar').textContent = keep.length ? t('now.longest', { sites: keep.slice(0, 3).map((site) => t(site.sure ? 'now.longest_sure' : 'now.longest_one', { site: site.name, weeks: weeksSaid(site.several), sure: site.sure && t(`sure.${site.sure.word}`) })).join(', ') }) : '';
  at('status').textContent = `${t('week.season')}. ${answer}`;
}

const bySeveral = (sites) => [...sites].sort((a, b) => b.several - a.several || b.barrel_weeks - a.barrel_weeks);

function tellWeek(w) {
  const here = season.sites.map((_, i) => i).filter((i) => inView(i) && season.sites[i].barrels[w] > 0);
  const standing = sum(here.map((i) => season.sites[i].barrels[w]));
  const work = sum(here.map((i) => season.sites[i].barrels[w] * season.sites[i].busy[w]));
  const busy = work > 0 && work < 1 ? t('now.under_one') : number(Math.round(work));
  const residue = sum(here.map((i) => season.sites[i].residue[w]));
  const mine = season.sites.filter((_, i) => inView(i));
  const done = sum(mine.map((site) => site.soFar[w]));
  const all = sum(mine.map((site) => site.soFar[season.weeks.length - 1]));
  const said = `${weekSpan(w)} (${digits(season.weeks[w].label)})`;

  at('week').setAttribute('aria-valuetext', said);
  at('days').textContent = season.weeks[w].days;
  at('weekname').textContent = `${digits(season.weeks[w].label)} · ${t('week.of', { n: number(w + 1), count: number(season.weeks.length) })}`;
  tellFigures([
    ['now.standing', number(standing), 'standing'], ['now.busy', busy, 'busy'],
    ['now.sites', number(here.length), 'places'], ['now.residue', tonnes(residue), 'residue'],
  ]);
  const store = season.fleet[w] - standing;
  at('sofar').textContent = t('now.so_far', { done: tonnes(done), all: tonnes(all) }) +
    (shown.village < 0 && store > 0 ? ` · ${t('now.free', { n: number(store), fleet: number(season.fleet[w]) })}` : '');
  at('status').textContent = t('now.status', { week: said, standing: number(standing), sites: number(here.length), busy });
}

// Sites of the week with their barrels; of the whole season with their weeks of several barrels busy.
function drawSites() {
  const w = shown.week, all = w === SEASON;
  const mine = season.sites.filter((site, i) => inView(i) && (all || site.barrels[w] > 0));
  const sorted = all ? bySeveral(mine) : mine.sort((a, b) => b.barrels[w] - a.barrels[w] || b.busy[w] - a.busy[w]);
  const rows = sorted.map((site) => {
    const i = season.sites.indexOf(site);
    const several = all ? site.several > 0 : isSeveral(site.barrels[w], site.busy[w]);
    return el('tr', { 'data-site': site.id, class: several ? 'several' : null },
      el('td', {}, el('button', { type: 'button', class: 'plain', text: site.name, onclick: () => { choose({ site: i }); goToSite(i); } }),
        el('span', { class: 'of', text: [site.name.startsWith(nameOf(site)) ? '' : nameOf(site), site.sure && t(`sure.${site.sure.word}`)].filter(Boolean).join(' · ') })),
      el('td', { class: 'n' }, el('b', { text: number(all ? site.several : site.barrels[w]) })),
      el('td', { class: 'n', text: all ? number(Math.max(...site.barrels)) : `${number(100 * site.busy[w])} %` }),
      el('td', {}, sparkline(site.barrels, site.busy)));
  });
  const heads = all ? ['site.site', 'site.several_short', 'site.most', 'site.season'] : ['site.site', 'site.barrels', 'site.busy', 'site.season'];
  at('sitelist').replaceChildren(rows.length
    ? el('table', {}, el('thead', {}, el('tr', {}, ...heads.map((key, i) => el('th', { scope: 'col', class: i === 1 || i === 2 ? 'n' : null, text: t(key, { several: number(season.several) }) })))), el('tbody', {}, ...rows))
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

const firstWeek = () => Math.max(0, season.weeks.findIndex((_, w) => season.sites.some((s) => s.barrels[w])));

function play(on) {
  clearInterval(timer);
  timer = 0;
  if (on) {
    if (shown.week === SEASON || shown.week === season.weeks.length - 1) setWeek(firstWeek());
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

// --- the address ------------------------------------------------------------------------------------------------------

let later = 0;

function keepAddress() {
  clearTimeout(later);
  later = setTimeout(() => history.replaceState(null, '', `#${address()}`), 120);
}

function address() {
  const parts = new URLSearchParams();
  parts.set('week', shown.week === SEASON ? 'season' : season.weeks[shown.week].label);
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
  const week = find(season.weeks.map((w) => w.label), 'week');
  shown.week = week >= 0 ? week : parts.get('week') === 'season' ? SEASON : current; // before and after the season: all of it
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
  at('legend').open = at('mapbox').clientWidth > 45 * parseFloat(getComputedStyle(document.body).fontSize);
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
  document.fonts.addEventListener('loadingdone', () => { // names drawn before their letters were there
    for (const village of season.villages) village.font = '';
    sheets.marks.paint();
  });

  at('week').addEventListener('input', () => { play(false); setWeek(+at('week').value); });
  at('before').addEventListener('click', () => { play(false); setWeek(shown.week - 1); });
  at('after').addEventListener('click', () => { play(false); setWeek(shown.week + 1); });
  at('allweeks').addEventListener('click', () => { play(false); setWeek(SEASON); });
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
    const one = season.sites[group.sites[0]];
    if (shown.week === SEASON) tip.textContent = group.sites.map((i) => `${season.sites[i].name}: ${wholeOf(season.sites[i])}`).slice(0, 4).join('; ');
    else tip.textContent = group.sites.length > 1 ? t('site.group', { n: number(group.sites.length), ...told }) : `${one.name}: ${group.barrels ? t('site.now', told) : t('site.empty')}`;
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
