// <entry-grid>: the entry form at the speed of a hand. Enter and arrows move, a column may be pasted, each entry is one
// request; its answer brings the rows as they are saved and what the readings say now. Without it the form still saves.
import { unsaved } from "./queue.js";

const PAUSE_MS = 1000;
const TRY_KEYS = { g: "goes", j: "just", n: "stops", "+": "goes", "0": "just", "-": "stops" };

class EntryGrid extends HTMLElement {
  connectedCallback() {
    document.documentElement.classList.add("scripted");
    this.form = this.querySelector("form");
    for (const field of this.form.querySelectorAll("input[type=text]")) field.enterKeyHint = "next";
    this.job = Number(location.pathname.split("/")[2]);
    this.shown = new Map([...this.form.elements].map((field) => [field.name, this.sent(field)]));
    this.form.addEventListener("keydown", (event) => this.key(event));
    this.form.addEventListener("change", (event) => this.changed(event));
    this.form.addEventListener("paste", (event) => this.paste(event));
    this.form.addEventListener("input", () => this.keepDraft());
    this.form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.commit([...this.form.querySelectorAll("[data-place]")].filter((row) => this.touched(row)));
    });
    unsaved.addEventListener("saved", (event) => this.saved(event.detail));
    unsaved.addEventListener("refused", (event) => this.refused(event.detail));
    this.bringDraft();
    this.first();
    this.askNext();
  }

  // What is typed and not yet sent: half a number survives a reload. Whatever was saved there meanwhile stands.
  get draft() {
    return `waywright-draft-${this.form.getAttribute("action")}`;
  }

  keepDraft() {
    const rows = [...this.form.querySelectorAll("[data-place]")].filter((row) => this.touched(row));
    const kept = rows.flatMap((row) => this.named(row).filter((field) => field.type === "text" && this.differs(field)).map(
      (field) => [row.dataset.place, field.name.split(".")[0], field.value, this.shown.get(field.name) ?? ""]));
    if (kept.length) sessionStorage.setItem(this.draft, JSON.stringify(kept));
    else sessionStorage.removeItem(this.draft);
  }

  bringDraft() {
    for (const [place, column, text, over] of JSON.parse(sessionStorage.getItem(this.draft) ?? "[]")) {
      const row = this.form.querySelector(`[data-place="${CSS.escape(place)}"]`);
      const field = row?.querySelector(`input[type=text][name^="${CSS.escape(column)}."]`);
      if (!field || field.value !== over) continue;
      field.value = text;
      this.mark(row, "not saved", "typed and not yet saved");
    }
    sessionStorage.removeItem(this.draft);
  }

  differs(field) {
    return field.value !== (this.shown.get(field.name) ?? "");
  }

  value(field) {
    return field.type === "radio" ? "" : field.value;
  }

  // What the page came with: a hand may have typed before this script was there.
  sent(field) {
    if (field.type === "radio") return "";
    if (field.tagName !== "SELECT") return field.defaultValue;
    return ([...field.options].find((one) => one.defaultSelected) ?? field.options[0])?.value ?? "";
  }

  // The place a link named, else the first empty one; where a hand is already typing, there it stays.
  first() {
    if (this.form.contains(document.activeElement)) return;
    const wanted = this.dataset.focus;
    const rows = [...this.form.querySelectorAll("[data-place]")];
    const row = wanted ? rows.find((one) => one.dataset.reading === wanted) : undefined;
    const stack = this.form.elements.stack;
    const field = row ? this.fields(row)[0] : stack ?? rows.map((one) => this.fields(one)[0]).find((one) => one && !one.value);
    field?.focus({ preventScroll: !row });
    row?.scrollIntoView({ block: "center" });
  }

  fields(row) {
    return [...row.querySelectorAll("input:not([type=hidden]), select")];
  }

  named(row) {
    return [...row.querySelectorAll("input, select")].filter((field) => field.type !== "radio" || field.checked);
  }

  touched(row) {
    return this.named(row).some((field) =>
      field.type === "radio" || (field.type !== "hidden" && field.value !== (this.shown.get(field.name) ?? "")));
  }

  key(event) {
    const field = event.target;
    const row = field.closest("[data-place]");
    if (field.name === "stack" && event.key === "Enter") {
      event.preventDefault();
      this.fields(this.form.querySelector(".try"))[0].focus();
    } else if (row?.classList.contains("try")) {
      this.tryKey(event, row);
    } else if (row && (event.key === "Enter" || event.key === "ArrowDown" || event.key === "ArrowUp")) {
      if (field.tagName === "SELECT" && event.key !== "Enter") return;
      event.preventDefault();
      this.commit([row]);
      const back = event.key === "ArrowUp" || (event.key === "Enter" && event.shiftKey);
      if (event.key !== "Enter" || back || !this.bracket(row, field)) this.step(row, this.fields(row).indexOf(field), back ? -1 : 1);
    } else if (row && (event.key === "ArrowLeft" || event.key === "ArrowRight") && field.type === "text") {
      const on = event.key === "ArrowRight";
      if (field.selectionStart !== field.selectionEnd && field.value) return;
      if (field.selectionStart !== (on ? field.value.length : 0)) return;
      const next = this.fields(row)[this.fields(row).indexOf(field) + (on ? 1 : -1)];
      if (next) {
        event.preventDefault();
        next.focus();
        next.select?.();
      }
    }
  }

  tryKey(event, row) {
    const tried = TRY_KEYS[event.key.toLowerCase()];
    if (tried && !event.ctrlKey && !event.metaKey && !event.altKey) {
      event.preventDefault();
      row.querySelector(`input[value=${tried}]`).checked = true;
      this.commit([row]);
      this.onward(row);
    } else if (event.key === "Enter") {
      event.preventDefault();
      this.onward(row);
    }
  }

  // The next place, and after the last the next stack.
  onward(row) {
    const next = row.nextElementSibling?.matches("[data-place]") ? row.nextElementSibling : null;
    const field = next ? this.fields(next)[0] : this.form.elements.stack;
    field.focus();
    field.select?.();
  }

  // A bracket is typed as it is tried: what goes, what does not, the next place. True when the hand went there.
  bracket(row, field) {
    const of = (one, key) => this.fields(one).find((each) => each.name.startsWith(key));
    const [goes, stops] = [of(row, "goes"), of(row, "stops")];
    if (!goes || !stops || !field.value) return false;
    const rows = [...row.parentElement.children].filter((one) => one.dataset.place);
    const next = field === goes ? stops : field === stops && goes.value ? of(rows[rows.indexOf(row) + 1] ?? row, "goes") : null;
    next?.focus();
    next?.select?.();
    return Boolean(next);
  }

  step(row, column, by) {
    const rows = [...row.parentElement.children].filter((one) => one.dataset.place);
    const next = rows[rows.indexOf(row) + by];
    const fields = next ? this.fields(next) : [];
    const same = fields.find((one) => one.name.split(".")[0] === this.fields(row)[column].name.split(".")[0]);
    (same ?? fields.at(-1))?.focus();
    same?.select?.();
  }

  changed(event) {
    const row = event.target.closest("[data-place]");
    if (!row) return;
    const typing = row.querySelectorAll(".spot").length;
    if (typing && ![...row.querySelectorAll("td input, td select")].some((field) => field.value)) return;
    this.commit([row]);
    if (event.target.type === "radio" && this.touch) this.onward(row);
  }

  // Lines go down from the cell, tabs go across.
  paste(event) {
    const row = event.target.closest("tr[data-place]");
    const lines = event.clipboardData.getData("text").replace(/\r/g, "").split("\n");
    while (lines.at(-1) === "") lines.pop();
    if (!row || !(lines.length > 1 || lines[0]?.includes("\t"))) return;
    event.preventDefault();
    const column = this.fields(row).indexOf(event.target);
    const rows = [...row.parentElement.children].filter((one) => one.dataset.place);
    const filled = [];
    lines.forEach((line, i) => {
      const target = rows[rows.indexOf(row) + i];
      if (!target) return;
      line.split("\t").forEach((cell, j) => {
        const field = this.fields(target)[column + j];
        if (field && cell.trim()) field.value = cell.trim();
      });
      filled.push(target);
    });
    this.commit(filled);
    this.fields(filled.at(-1))[column]?.focus();
  }

  // One request for what changed in these rows.
  commit(rows) {
    const changed = rows.filter((row) => this.touched(row));
    if (!changed.length) return;
    const fields = { act: this.form.elements.act.value };
    const labels = [];
    for (const row of changed) {
      const told = [];
      for (const field of this.named(row)) {
        fields[field.name] = field.value;
        if (field.type !== "hidden" && field.value) told.push(field.value);
        if (field.type !== "hidden") this.shown.set(field.name, this.value(field));
      }
      if (row.classList.contains("try")) {
        fields.stack = this.form.elements.stack.value;
        told.unshift(fields.stack);
      }
      const place = row.querySelector("legend, th").textContent.trim();
      labels.push(`${place}: ${told.join(" ") || "emptied"}`);
      row.dataset.wait = "";
      this.mark(row, "…", "");
    }
    this.keepDraft();
    this.pressed = performance.now();
    unsaved.add({ url: this.form.getAttribute("action"), job: this.job, fields, label: labels.join("; ") });
  }

  mark(row, words, title) {
    const mark = row.querySelector("[data-mark]");
    mark.textContent = words;
    mark.title = title;
  }

  saved({ item, told }) {
    if (item.url !== this.form.getAttribute("action")) return;
    document.querySelector("form.undo").hidden = false;
    document.querySelector("[data-undo]").textContent = ": the last reading";
    if (told.act < Number(this.form.elements.act.value)) return; // overtaken
    this.form.elements.act.value = told.act;
    const places = Map.groupBy ? Map.groupBy(told.rows, (row) => row.place) : grouped(told.rows);
    for (const row of this.form.querySelectorAll("[data-place]")) {
      const saved = places.get(row.dataset.place)?.shift();
      if (saved) this.renew(row, saved);
    }
    for (const [name, svg] of Object.entries(told.drawings ?? {})) {
      const old = document.querySelector(`[data-drawing="${CSS.escape(name)}"]`);
      if (old) old.innerHTML = svg;
    }
    if (told.head !== undefined) {
      document.getElementById("live-head").innerHTML = told.head;
      document.getElementById("live-faces").innerHTML = told.faces;
      this.askNext();
    }
    if (this.pressed && (told.drawings || told.head)) {
      const pressed = this.pressed;
      requestAnimationFrame(() => setTimeout(() => {
        const ms = String(Math.round(performance.now() - pressed));
        if (told.head) Object.assign(this.dataset, { toldMs: ms, told: told.act });
        else Object.assign(this.dataset, { drawnMs: ms, drawn: told.act });
      }));
    }
    this.freshen(Object.keys(item.fields).filter((name) => name.startsWith("place.") && /;;;$/.test(item.fields[name])));
  }

  // New places get rows of their own by a reload, which waits for a hand that types on; till then they stand as saved.
  freshen(fresh) {
    if (!fresh.length) return;
    const rows = [...this.form.querySelectorAll("[data-place]")];
    if (!unsaved.waiting().length && !rows.some((row) => this.touched(row))) return location.reload();
    for (const name of fresh) {
      const row = this.form.querySelector(`[name='${name}']`).closest("[data-place]");
      for (const field of this.fields(row)) field.readOnly = true;
      this.mark(row, "✓", "saved");
    }
  }

  // What to do next may take seconds to work out: it is asked for once nothing was typed for a moment.
  askNext() {
    const told = document.getElementById("live-next");
    clearTimeout(this.asking);
    if (!told?.dataset.pending) return;
    this.asking = setTimeout(async () => {
      const answer = await fetch(told.dataset.pending, { headers: { "X-Requested-With": "waywright" } }).catch(() => null);
      if (answer?.ok) told.textContent = await answer.text();
    }, PAUSE_MS);
  }

  renew(row, saved) {
    const [place] = row.querySelectorAll("[name^='place.']");
    const k = place.name.slice(6);
    row.dataset.reading = saved.reading;
    row.querySelector(`[name='reading.${k}']`).value = saved.reading;
    row.querySelector(`[name='version.${k}']`).value = saved.version;
    row.classList.toggle("suspect", Boolean(saved.suspect));
    const waits = unsaved.waiting().some((item) => item.fields[place.name] === place.value);
    const done = !waits && "wait" in row.dataset;
    if (!waits) delete row.dataset.wait;
    this.mark(row, saved.suspect ? "suspect" : (done ? "✓" : row.querySelector("[data-mark]").textContent === "✓" ? "✓" : ""), done ? "saved" : "");
    const told = row.querySelector("[data-told]");
    if (told) {
      told.textContent = saved.told;
      if (!waits) for (const radio of row.querySelectorAll("input[type=radio]")) radio.checked = false;
    }
    for (const [key, text] of Object.entries(saved.texts)) {
      const field = row.querySelector(`[name='${key}.${k}']`);
      if (!field || waits || field === document.activeElement || field.value !== (this.shown.get(field.name) ?? "")) continue;
      field.value = text;
      this.shown.set(field.name, text);
    }
  }

  refused({ item, told }) {
    if (item.url !== this.form.getAttribute("action")) return;
    for (const [name, place] of Object.entries(item.fields)) {
      if (!name.startsWith("place.")) continue;
      const row = this.form.querySelector(`[name='${name}']`)?.closest("[data-place]");
      if (!row || row.dataset.place !== place) continue;
      delete row.dataset.wait;
      this.mark(row, "not saved", told.words);
      for (const field of this.fields(row)) this.shown.delete(field.name);
    }
  }
}

function grouped(rows) {
  const found = new Map();
  for (const row of rows) found.set(row.place, [...(found.get(row.place) ?? []), row]);
  return found;
}
customElements.define("entry-grid", EntryGrid);
