// The lists, details, legend, tables and search beside the map.

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
    el('p', { class: 'say', text: w === SEASON ? wholeOf(site) : site.barrels[w] ? t('site.now', { barrels: number(site.barrels[w]), busy: number(100 * site.busy[w]) }) : t('site.empty') }),
    site.sure ? el('p', { class: 'lead', text: sureLine(site) }) : null,
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

const sureLine = ({ sure }) => t('sure.line', { word: t(`sure.${sure.word}`), chance: number(sure.chance), several: number(sure.several) });
const wholeOf = (site) => t('site.whole', { weeks: weeksSaid(site.several), several: number(season.several) });
const nameOf = (site) => season.villages[site.village]?.name ?? '';
const nameOfWeek = (w) => (season.weeks[w] ? season.weeks[w].days : '–');

function drawRanking() {
  at('ranks').replaceChildren(...season.villages.map((village, i) => {
    const sites = season.sites.filter((s) => s.village === i);
    const barrels = season.weeks.map((_, w) => sum(sites.map((s) => s.barrels[w])));
    const busy = season.weeks.map((_, w) => (barrels[w] ? sum(sites.map((s) => s.barrels[w] * s.busy[w])) / barrels[w] : 0));
    const best = village.several ? bySeveral(sites)[0] : null;
    return el('li', { 'data-village': i, 'data-rank': number(i + 1), 'data-id': village.id, class: village.deploy ? null : 'without' },
      el('button', { type: 'button', class: 'plain', text: village.name, onclick: () => { filter('village', i); goToVillage(i); } }),
      village.estimated > 0.5 ? el('span', { class: 'tag', text: t('rank.estimated') }) : null,
      best?.sure ? el('span', { class: `tag ${best.sure.word}`, text: sureLine(best) }) : null,
      village.deploy ? el('span', { class: 'score' }, el('b', { text: number(village.several) }), ` ${t(village.several === 1 ? 'rank.week_short' : 'rank.weeks_short')}`) : el('span', { class: 'score', text: t('rank.none') }),
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
  at('track').style.setProperty('--last', n); // the place before the first week is the whole season
  at('chart').replaceChildren(svg('svg', { viewBox: `-1 0 ${n + 1} 1`, preserveAspectRatio: 'none' },
    svg('path', { class: 'there', d: bars(there) }), svg('path', { class: 'busy', d: bars(busy) }),
    svg('path', { class: 'fleet', d: fleet }), svg('rect', { class: 'mark', x: 0, y: 0, width: 1, height: 1 })));
  let last = '';
  at('months').replaceChildren(...season.weeks.flatMap(({ month }, i) => {
    if (month === last) return [];
    last = month;
    const label = el('span', { text: month });
    label.style.setProperty('--at', (i + 1) / n);
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
  const several = season.several, all = shown.week === SEASON;
  const states = all ? ['nothing', 'carried', 'lost'] : STATES;
  const groups = [
    ['legend.fields', [
      ...states.map((name) => line(swatch(STATES.indexOf(name)), t(`state.${name}`, { n: number(season.soon) }))),
      season.field.estimated.some(Boolean) ? line(sample((c, x, y) => { c.setLineDash([4, 3]); c.lineWidth = 1.6; c.strokeRect(x - 10, y - 6, 20, 12); }, 22, 14), t('legend.estimated')) : null,
    ]],
    ['legend.sites', [
      ...(all ? [
        line(sample((c, x, y) => badge(c, x, y, 14, { barrels: 9, busy: 0.8, several: true })), t('legend.several_season', { several: number(several), floor: number(100 * season.floor) })),
        line(sample((c, x, y) => badge(c, x, y, 7, { barrels: 0, all }), 44, 20), t('legend.never', { several: number(several) })),
      ] : [
        line(sample((c, x, y) => badge(c, x, y, 13, { barrels: Math.max(4, several), busy: 0.8, several: true })), t('legend.several', { several: number(several), floor: number(100 * season.floor) })),
        line(sample((c, x, y) => badge(c, x, y, 12, { barrels: Math.max(1, several - 1), busy: 0.4 })), t('legend.fewer')),
        line(sample((c, x, y) => badge(c, x, y, 12, { barrels: 0 }), 44, 16), t('legend.idle')),
      ]),
      el('li', { class: 'note', text: t(all ? 'legend.ring_season' : 'legend.ring', { several: number(several) }) }),
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
    el('tbody', {}, ...order.map((i) => el('tr', { 'data-site': season.sites[i].id }, el('th', { scope: 'row' }, season.sites[i].name, el('small', { text: season.sites[i].name.startsWith(nameOf(season.sites[i])) ? '' : nameOf(season.sites[i]) })), ...cells(season.sites[i].barrels, season.sites[i].busy)))),
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
