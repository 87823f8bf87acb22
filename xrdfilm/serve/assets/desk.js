// The little that the desk's pages do by themselves: drop files, follow work, take the stretch in view.
"use strict";
(() => {
  // ---- dropping
  const form = document.getElementById("drop-form");
  if (form) {
    const zone = document.getElementById("drop");
    const picker = document.getElementById("files");
    const folder = document.getElementById("folder");
    const told = document.getElementById("chosen");
    const send = document.getElementById("send");
    const chosen = new Map();
    const wanted = /\.(xy|xye|dat|txt|csv|asc|cif|nxs|h5|hdf5|toml)$/i;
    const most = Number(form.dataset.mostFiles), mostBytes = Number(form.dataset.mostBytes);

    const show = () => {
      const names = Array.from(chosen.keys());
      const size = Array.from(chosen.values()).reduce((sum, file) => sum + file.size, 0);
      told.replaceChildren();
      if (!names.length) return;
      const line = document.createElement("p");
      line.textContent = `${names.length} file${names.length === 1 ? "" : "s"}, ${(size / 1e6).toFixed(1)} MB`;
      told.append(line);
      const list = document.createElement("ul");
      for (const name of names.slice(0, 12)) {
        const item = document.createElement("li");
        item.textContent = name;
        list.append(item);
      }
      if (names.length > 12) {
        const item = document.createElement("li");
        item.textContent = `and ${names.length - 12} more`;
        list.append(item);
      }
      told.append(list);
      if (names.length > most || size > mostBytes) {
        const warning = document.createElement("p");
        warning.className = "faults";
        warning.textContent = "That is more than fits at once; drop fewer.";
        told.append(warning);
      }
    };
    const add = (name, file) => {
      if (wanted.test(name) && !name.split("/").includes("judged")) chosen.set(name, file);
    };
    const entriesOf = (reader) => new Promise((resolve, reject) => reader.readEntries(resolve, reject));
    const walk = async (entry, prefix) => {
      if (chosen.size > most) return;
      if (entry.isFile) {
        add(prefix + entry.name, await new Promise((resolve, reject) => entry.file(resolve, reject)));
        return;
      }
      const reader = entry.createReader();
      for (let part = await entriesOf(reader); part.length; part = await entriesOf(reader)) {
        for (const item of part) await walk(item, `${prefix}${entry.name}/`);
      }
    };
    for (const kind of ["dragenter", "dragover"]) {
      zone.addEventListener(kind, (event) => { event.preventDefault(); zone.classList.add("over"); });
    }
    for (const kind of ["dragleave", "drop"]) zone.addEventListener(kind, () => zone.classList.remove("over"));
    zone.addEventListener("drop", async (event) => {
      event.preventDefault();
      const items = Array.from(event.dataTransfer.items || []);
      const entries = items.map((item) => item.webkitGetAsEntry && item.webkitGetAsEntry()).filter(Boolean);
      if (entries.length) for (const entry of entries) await walk(entry, "");
      else for (const file of event.dataTransfer.files) add(file.name, file);
      show();
    });
    picker.addEventListener("change", () => { for (const file of picker.files) add(file.name, file); show(); });
    folder.addEventListener("change", () => {
      for (const file of folder.files) add(file.webkitRelativePath || file.name, file);
      show();
    });
    document.getElementById("folder-pick").hidden = false;
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (!chosen.size) { told.textContent = "Choose scans first."; picker.focus(); return; }
      const data = new FormData();
      for (const field of form.querySelectorAll("input[name]:not([type=file])")) data.append(field.name, field.value);
      for (const [name, file] of chosen) data.append("files", file, name);
      send.disabled = true;
      send.textContent = "Taking them in …";
      try {
        const answer = await fetch(form.action, { method: "POST", body: data });
        if (answer.redirected) { location.assign(answer.url); return; }
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const faults = page.querySelector(".faults");
        told.replaceChildren(faults ? document.importNode(faults, true) : document.createTextNode("The server refused the files."));
      } catch {
        told.textContent = "The server did not answer; nothing was kept.";
      }
      send.disabled = false;
      send.textContent = "Take them in";
    });
  }

  // ---- following work
  const job = document.getElementById("job");
  if (job && job.dataset.over === "no") {
    const stage = document.getElementById("stage"), bar = document.getElementById("bar");
    const ask = async () => {
      try {
        const state = await (await fetch(job.dataset.state)).json();
        if (state.state === "done") { location.assign(state.then); return; }
        if (state.state === "failed" || state.state === "stopped") { location.reload(); return; }
        stage.textContent = state.stage + (state.total ? `: ${state.done} of ${state.total}` : "");
        if (state.total) { bar.max = state.total; bar.value = state.done; } else bar.removeAttribute("value");
      } catch {
        stage.textContent = "The server does not answer; trying again …";
      }
      setTimeout(ask, 400);
    };
    setTimeout(ask, 150);
  }

  // ---- the stretch in view, once the scan is drawn
  const button = document.getElementById("in-view");
  const offerView = () => {
    const ranges = document.getElementById("ranges");
    button.hidden = false;
    button.addEventListener("click", () => {
      const [low, high] = window.xrdfilmSheet.view();
      const text = `${low.toFixed(2)} to ${high.toFixed(2)}`;
      ranges.value = ranges.value.trim() ? `${ranges.value.trim()}; ${text}` : text;
      ranges.focus();
    });
  };
  if (button && window.xrdfilmSheet) offerView();
  else if (button) document.addEventListener("xrdfilm-drawn", offerView, { once: true });
  const faults = document.getElementById("faults");
  if (faults) faults.focus();
})();
