// The map on which villages and places are asked for or left out. It draws what the desk sends, and sends one choice at a time.
"use strict";
addEventListener("DOMContentLoaded", () => {
  const box = document.getElementById("points");
  if (!box) return;
  const colours = { refused: "#1b2430", set_aside: "#9c2f1c", mended: "#1d6b3f", look: "#f5a31a" };
  box.closest("details").addEventListener("toggle", async () => {
    if (box.dataset.drawn) return;
    box.dataset.drawn = "begun";
    const found = await (await fetch(box.dataset.points)).json();
    const map = L.map(box, { attributionControl: false, preferCanvas: true, zoomSnap: 0.25 });
    const marks = found.points.map((p) => L.circleMarker([p.at[1], p.at[0]], { radius: 6, weight: 1, color: "#1b2430", fillColor: colours[p.grade], fillOpacity: 0.9 }).addTo(map).bindPopup(() => {
      const made = document.createElement("span");
      made.textContent = p.words;
      return made;
    }));
    if (marks.length) map.fitBounds(L.featureGroup(marks).getBounds().pad(0.15));
    else map.setView([0, 0], 2);
    box.dataset.drawn = "yes";
  });
});
addEventListener("DOMContentLoaded", async () => {
  const box = document.getElementById("choose");
  if (!box) return;
  const say = box.dataset;
  const land = await (await fetch(say.land)).json();
  const map = L.map(box, { attributionControl: false, preferCanvas: true, zoomSnap: 0.25 });
  const flip = ([lon, lat]) => [lat, lon];
  const ground = L.canvas({ padding: 0.3, tolerance: 6 });
  const area = (ring, [a, b = a] = ring) => ring.length > 2 ? ring : [a, [a[0], b[1]], b, [b[0], a[1]]];
  const together = 100; // rings a layer: thousands of layers are slow, and so is one vast one
  for (let i = 0; i < land.fields.length; i += together) {
    const rings = land.fields.slice(i, i + together).map((ring) => [area(ring).map(flip)]);
    L.polygon(rings, { renderer: ground, weight: 0.8, color: "#3f6f9f", fillColor: "#8cb9e6", fillOpacity: 0.9, fillRule: "nonzero", interactive: false }).addTo(map);
  }
  for (const line of land.paths) {
    const path = L.polyline(line.map(flip), { renderer: ground, weight: say.close ? 2.5 : 1.2, color: "#8a7f6a", interactive: Boolean(say.close) }).addTo(map);
    if (say.close) path.on("click", (e) => L.popup().setLatLng(e.latlng).setContent(shut(e.latlng)).openOn(map));
  }
  for (const r of land.refused) L.circleMarker(flip(r.at), { radius: 3.5, weight: 0, fillColor: "#a09a8c", fillOpacity: 0.9 }).addTo(map).bindPopup(() => text(`${say.refused}: ${r.name ? r.name + ", " : ""}${r.reason}`));
  const marks = [];
  const style = (kind, choice) => ({
    radius: kind === "village" ? 11 : 8,
    weight: choice === "leave_out" ? 4 : 2,
    color: choice === "leave_out" ? "#9c2f1c" : choice === "use" ? "#0c3d22" : "#1b2430",
    fillColor: choice === "use" ? "#1d6b3f" : choice === "leave_out" ? "#ffffff" : kind === "village" ? "#1b2430" : "#f5a31a",
    fillOpacity: kind === "village" && !choice ? 0.85 : 1,
  });
  const add = (kind, row) => {
    const mark = L.circleMarker(flip(row.at), style(kind, row.choice)).addTo(map);
    mark.bindTooltip(text(`${kind === "village" ? say.village : say.site} ${row.name}`), { direction: "top" });
    mark.bindPopup(() => panel(kind, row, mark), { minWidth: 200 });
    marks.push(mark);
  };
  for (const row of land.sites) add("site", row);
  for (const row of land.villages) add("village", row);
  if (marks.length) map.fitBounds(L.featureGroup(marks).getBounds().pad(0.15));
  else map.setView([0, 0], 2);
  box.dataset.drawn = "yes";

  function text(words) {
    const made = document.createElement("span");
    made.textContent = words;
    return made;
  }
  function shut(at) {
    const made = document.createElement("div");
    made.className = "popup";
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = say.shut;
    button.addEventListener("click", () => {
      document.getElementById("lon").value = at.lng.toFixed(6);
      document.getElementById("lat").value = at.lat.toFixed(6);
      document.getElementById("close").requestSubmit();
    });
    made.append(button);
    return made;
  }
  function panel(kind, row, mark) {
    const made = document.createElement("div");
    made.className = "popup";
    const head = document.createElement("strong");
    head.textContent = `${kind === "village" ? say.village : say.site} ${row.name}`;
    const rows = document.createElement("div");
    rows.className = "row";
    for (const [choice, words] of [["use", say.use], ["leave_out", say.out], ["", say.free]]) {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = words;
      button.className = choice === row.choice ? "main" : "";
      button.setAttribute("aria-pressed", String(choice === row.choice));
      button.addEventListener("click", () => save(kind, row, choice, mark));
      rows.append(button);
    }
    made.append(head, rows);
    return made;
  }
  async function save(kind, row, choice, mark) {
    const form = new URLSearchParams({ kind, id: row.id, choice, seen: say.seen });
    const answer = await fetch(say.save, { method: "POST", body: form, headers: { accept: "application/json" } });
    if (!answer.ok) {
      mark.setPopupContent(text(say.trouble));
      return;
    }
    const told = await answer.json();
    box.dataset.seen = told.seen;
    row.choice = choice;
    mark.setStyle(style(kind, choice));
    mark.closePopup();
  }
});
