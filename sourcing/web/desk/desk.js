// The desk's small script: what pages can do without it, they do; it only makes them quicker to use.
"use strict";
for (const box of document.querySelectorAll("[data-send]")) box.addEventListener("change", () => box.form.requestSubmit());
for (const button of document.querySelectorAll("[data-unneeded]")) button.hidden = true;
for (const form of document.querySelectorAll("[data-at-once]")) form.requestSubmit();
for (const select of document.querySelectorAll("[data-samples]")) {
  const cells = document.getElementById(select.dataset.samples);
  select.addEventListener("change", () => {
    cells.textContent = select.selectedOptions[0].dataset.cells || "";
    select.closest("tr").classList.remove("guess");
  });
}
for (const form of document.querySelectorAll("[data-drop]")) {
  const input = form.querySelector("input[type=file]");
  for (const name of ["dragenter", "dragover"]) form.addEventListener(name, (e) => { e.preventDefault(); form.classList.add("over"); });
  for (const name of ["dragleave", "drop"]) form.addEventListener(name, () => form.classList.remove("over"));
  form.addEventListener("drop", (e) => {
    e.preventDefault();
    if (!e.dataTransfer.files.length) return;
    input.files = e.dataTransfer.files;
    form.requestSubmit();
  });
}
for (const form of document.querySelectorAll("[data-unsaved]")) {
  let touched = false, sent = false;
  form.addEventListener("input", () => { touched = true; });
  form.addEventListener("submit", () => { sent = true; });
  addEventListener("beforeunload", (e) => { if (touched && !sent) e.preventDefault(); });
}
const work = document.getElementById("work");
if (work && work.dataset.atWork) {
  const bar = document.getElementById("bar"), doing = document.getElementById("doing"), spent = document.getElementById("spent");
  let misses = 0;
  const look = async () => {
    try {
      const answer = await fetch(work.dataset.job, { headers: { accept: "application/json" } });
      if (!answer.ok) throw new Error(String(answer.status));
      const job = await answer.json();
      misses = 0;
      if (job.id !== work.dataset.id || !["starting", "running"].includes(job.state)) {
        location.href = job.onward || location.pathname;
        return;
      }
      bar.max = job.stages;
      bar.value = job.stage;
      if (doing.textContent !== job.doing) doing.textContent = job.doing;
      spent.textContent = work.dataset.spent.replace("{n}", Math.round(job.spent_s));
    } catch {
      misses += 1;
      if (misses > 6) doing.textContent = work.dataset.gone;
    }
    setTimeout(look, 400);
  };
  setTimeout(look, 300);
}
