(() => {
'use strict';
const data = JSON.parse(document.getElementById('data').textContent);
const map = L.map('map', { preferCanvas: true, attributionControl: false, zoomSnap: 0.25 });
const bounds = L.latLngBounds([]);
const LOOKS = {
  refused: { radius: 8, color: '#8c2b1e', weight: 2, fillColor: '#8c2b1e', fillOpacity: 1 },
  set_aside: { radius: 8, color: '#8c2b1e', weight: 2, fillColor: '#8c2b1e', fillOpacity: 1 },
  mended: { radius: 7, color: '#6b4a00', weight: 3, fillColor: '#f0c05a', fillOpacity: 1 },
  look: { radius: 6, color: '#0d4f8b', weight: 3, fillColor: '#fff', fillOpacity: 1 },
};

const line = (parent, tag, words) => {
  const part = document.createElement(tag);
  part.textContent = words;
  parent.append(part);
  return part;
};

const told = (mark) => {
  const box = document.createElement('div');
  line(box, 'b', `${mark.file}, row ${mark.row}${mark.name ? `: ${mark.name}` : ''}`);
  for (const [grade, found, expected, remedy] of mark.told) {
    const text = document.createElement('p');
    line(text, 'b', `${grade}: `);
    line(text, 'span', `${found}. Expected: ${expected}. To do: ${remedy}.`);
    box.append(text);
  }
  return box;
};

for (const rings of data.outlines) {
  const area = L.polygon(rings, { color: '#5f6b78', weight: 0.7, fillColor: '#cfd6bd', fillOpacity: 0.35, interactive: false });
  area.addTo(map);
  bounds.extend(area.getBounds());
}
for (const village of data.villages) {
  const name = document.createElement('span');
  name.textContent = village.name;
  L.circleMarker(village.at, { radius: 2, color: '#1b2430', weight: 1, fillOpacity: 1, interactive: false })
    .bindTooltip(name, { permanent: true, direction: 'top', className: 'village' }).addTo(map);
}
// The gravest come first in the data and are drawn last, on top.
const marks = data.marks.map((mark) => {
  const circle = L.circleMarker(mark.at, LOOKS[mark.grade]);
  circle.bindPopup(() => told(mark), { maxWidth: 360 });
  bounds.extend(mark.at);
  return { circle, kinds: mark.kinds };
}).reverse();

const boxes = [...document.querySelectorAll('#kinds input')];
const show = () => {
  const wanted = new Set(boxes.filter((box) => box.checked).map((box) => box.value));
  for (const { circle, kinds } of marks) circle.remove();
  for (const { circle, kinds } of marks) if (kinds.some((kind) => wanted.has(kind))) circle.addTo(map);
};
boxes.forEach((box) => box.addEventListener('change', show));
for (const [id, on] of [['all', true], ['none', false]]) {
  document.getElementById(id).addEventListener('click', () => {
    boxes.forEach((box) => { box.checked = on; });
    show();
  });
}
map.fitBounds(bounds.isValid() ? bounds.pad(0.03) : L.latLngBounds([[0, 0], [1, 1]]), { animate: false });
L.control.scale({ imperial: false }).addTo(map);
show();
window.found = { map, marks };
document.body.dataset.ready = 'yes';
})();
