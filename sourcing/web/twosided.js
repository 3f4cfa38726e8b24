(() => {
'use strict';
const data = JSON.parse(document.getElementById('data').textContent);
const maps = ['left', 'right'].map((id) => L.map(id, { preferCanvas: true, attributionControl: false, zoomSnap: 0.25 }));
const bounds = L.latLngBounds([]);

const plain = (words) => {
  const span = document.createElement('span');
  span.textContent = words;
  return span;
};

data.panes.forEach((pane, side) => {
  const map = maps[side];
  const layers = [];
  for (const field of pane.fields) {
    const colour = data.colours[field.fate] || '#7c8794';
    const area = L.polygon(field.rings, {
      color: colour, weight: field.fate ? 1.5 : 0.6, fillColor: colour, fillOpacity: field.fate ? 0.55 : 0.08,
    });
    area.bindTooltip(plain(field.told), { sticky: true });
    layers.push(area);
    bounds.extend(area.getBounds());
  }
  for (const site of pane.sites) {
    const ring = L.circleMarker(site.at, {
      radius: 4 + Math.sqrt(site.barrelWeeks), color: '#fff', weight: 1.5,
      fillColor: data.siteColours[site.relation], fillOpacity: 0.9,
    });
    ring.bindTooltip(plain(site.told));
    layers.push(ring);
    bounds.extend(site.at);
  }
  for (const village of pane.villages) {
    const point = L.circleMarker(village.at, { radius: 2, color: '#1b2430', weight: 1, fillOpacity: 1 });
    point.bindTooltip(plain(village.name), { permanent: true, direction: 'top', className: 'village' });
    layers.push(point);
  }
  if (!pane.fields.length && !pane.sites.length) pane.villages.forEach((village) => bounds.extend(village.at));
  pane.layer = L.layerGroup(layers);
});

const view = bounds.isValid() ? bounds.pad(0.03) : L.latLngBounds([[0, 0], [1, 1]]);
maps.forEach((map, side) => {
  map.fitBounds(view, { animate: false });
  data.panes[side].layer.addTo(map);
  L.control.scale({ imperial: false }).addTo(map);
});

let following = false;
maps.forEach((map, side) => {
  const other = maps[1 - side];
  map.on('move zoomend', () => {
    if (following) return;
    following = true;
    other.setView(map.getCenter(), map.getZoom(), { animate: false });
    following = false;
  });
});
window.twoSided = maps;
})();
