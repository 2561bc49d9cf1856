// What the plain pages gain from scripts: files dropped in, progress without reload.

const drop = document.querySelector("[data-drop]");
if (drop) {
  const input = drop.querySelector("input[type=file]");
  const stop = (event) => event.preventDefault();
  for (const name of ["dragenter", "dragover"]) {
    drop.addEventListener(name, (event) => {
      stop(event);
      drop.classList.add("over");
    });
  }
  for (const name of ["dragleave", "drop"]) {
    drop.addEventListener(name, () => drop.classList.remove("over"));
  }
  drop.addEventListener("drop", (event) => {
    stop(event);
    if (!event.dataTransfer?.files.length) return;
    input.files = event.dataTransfer.files;
    input.dispatchEvent(new Event("change", { bubbles: true }));
    input.form.requestSubmit();
  });
}

const watched = document.querySelector("[data-events]");
if (watched && "EventSource" in window) {
  const source = new EventSource(watched.dataset.events);
  const bar = watched.querySelector("progress");
  const words = watched.querySelector("[data-words]");
  source.addEventListener("task", (event) => {
    const task = JSON.parse(event.data);
    const busy = task.state === "waiting" || task.state === "running";
    if (bar) {
      bar.hidden = !busy;
      bar.value = task.progress;
    }
    if (words && task.words) words.textContent = task.words;
    if (!busy && watched.dataset.busy === "yes") location.reload();
    watched.dataset.busy = busy ? "yes" : "no";
  });
  addEventListener("pagehide", () => source.close());
}

for (const form of document.querySelectorAll("form[data-sure]")) {
  form.addEventListener("submit", (event) => {
    if (!confirm(form.dataset.sure)) event.preventDefault();
  });
}
