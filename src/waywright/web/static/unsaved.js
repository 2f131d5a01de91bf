// <unsaved-readings>: says at the top of every page what is not saved yet, and what was refused.
import { unsaved } from "./queue.js";

const PATIENCE_MS = 700; // a save that takes less is not worth a word

class UnsavedReadings extends HTMLElement {
  connectedCallback() {
    unsaved.addEventListener("change", () => this.soon());
    this.soon();
  }

  soon() {
    clearTimeout(this.timer);
    if (unsaved.down || unsaved.refused().length || !unsaved.waiting().length) this.print();
    else this.timer = setTimeout(() => this.print(), PATIENCE_MS);
  }

  print() {
    const waiting = unsaved.waiting();
    const refused = unsaved.refused();
    this.hidden = !waiting.length && !refused.length;
    this.replaceChildren();
    if (waiting.length) {
      const many = waiting.length === 1 ? "1 reading is" : `${waiting.length} readings are`;
      this.add("p", `${many} not saved yet. Kept in this browser, also when the page is closed; saved as soon as the bench answers.`);
      if (unsaved.why) this.add("p", unsaved.why);
      this.list(waiting.map((item) => [item.label]));
    }
    if (refused.length) {
      this.add("p", "Not saved:");
      this.list(refused.map((item) => [`${item.label}: ${item.refused.words}`, item]));
    }
  }

  add(tag, words) {
    const made = document.createElement(tag);
    made.textContent = words;
    this.append(made);
    return made;
  }

  list(lines) {
    const list = this.add("ul", "");
    for (const [words, item] of lines) {
      const line = document.createElement("li");
      line.textContent = words;
      if (item) {
        if (item.refused.theirs !== undefined) {
          line.append(` There: ${item.refused.theirs}. `);
          if (item.refused.reading) line.append(this.button("Keep mine", () => this.keepMine(item)));
          line.append(this.button("Keep theirs", () => this.keepTheirs(item)));
        } else {
          line.append(this.button("Let it go", () => unsaved.letGo(item)));
        }
      }
      list.append(line);
    }
  }

  button(words, act) {
    const made = document.createElement("button");
    made.type = "button";
    made.className = "quiet";
    made.textContent = words;
    made.addEventListener("click", act);
    return made;
  }

  keepMine(item) {
    const { row, reading, version } = item.refused;
    const fields = { ...item.fields, [`reading.${row}`]: reading, [`version.${row}`]: String(version) };
    unsaved.letGo(item);
    unsaved.add({ url: item.url, job: item.job, label: item.label, fields });
  }

  // What else was typed in the same go is saved all the same.
  keepTheirs(item) {
    const rest = Object.entries(item.fields).filter(([name]) => !name.endsWith(`.${item.refused.row}`));
    unsaved.letGo(item);
    if (rest.some(([name]) => name.startsWith("place."))) {
      unsaved.addEventListener("saved", () => location.reload(), { once: true });
      unsaved.add({ url: item.url, job: item.job, label: item.label, fields: Object.fromEntries(rest) });
    } else {
      location.reload();
    }
  }
}
customElements.define("unsaved-readings", UnsavedReadings);
