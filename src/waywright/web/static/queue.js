// What was typed and is not saved yet. Every page has a queue of its own in the browser's storage; what an earlier page
// left behind is taken over and sent first. Entries are numbered, so that one sent twice is saved once, and in order.
const PREFIX = "waywright-unsaved-";
const PAUSES_MS = [500, 1000, 2000, 5000];

class Queue {
  constructor(client, kept) {
    this.client = client;
    this.begun = kept?.begun ?? Date.now();
    this.next = kept?.next ?? {};
    this.items = kept?.items ?? [];
  }

  keep() {
    if (this.items.length) {
      localStorage.setItem(PREFIX + this.client, JSON.stringify({ begun: this.begun, next: this.next, items: this.items }));
    } else {
      localStorage.removeItem(PREFIX + this.client);
    }
  }

  add(item) {
    const sequence = (this.next[item.job] ?? 0) + 1;
    this.next[item.job] = sequence;
    this.items.push({ ...item, sequence });
    this.keep();
  }

  drop(item, used) {
    this.items = this.items.filter((one) => one !== item);
    if (!used) this.renumber(item.job, item.sequence);
    this.keep();
  }

  renumber(job, from) {
    let sequence = from;
    for (const one of this.items) if (one.job === job && !one.refused) one.sequence = sequence++;
    this.next[job] = sequence - 1;
  }
}

class Unsaved extends EventTarget {
  constructor() {
    super();
    this.mine = new Queue(crypto.randomUUID(), null);
    this.taken = [];
    this.running = false;
    this.down = false;
    this.why = ""; // what the bench said, where it answered and could not save now: no room, another program writing
    this.tries = 0;
    this.hold(this.mine.client);
    this.takeOver().then(() => this.pump());
    addEventListener("online", () => this.pump());
    addEventListener("beforeunload", () => this.mine.keep());
  }

  hold(client) {
    navigator.locks?.request(PREFIX + client, () => new Promise(() => {}));
  }

  // Queues whose page is gone: their lock is free.
  async takeOver() {
    for (const key of Object.keys(localStorage).filter((one) => one.startsWith(PREFIX))) {
      const client = key.slice(PREFIX.length);
      if (client === this.mine.client || this.taken.some((queue) => queue.client === client)) continue;
      const free = await new Promise((answer) => {
        if (!navigator.locks) return answer(true);
        navigator.locks.request(key, { ifAvailable: true }, (lock) => {
          answer(lock !== null);
          return lock === null ? undefined : new Promise(() => {});
        });
      });
      const kept = localStorage.getItem(key);
      if (free && kept) this.taken.push(new Queue(client, JSON.parse(kept)));
    }
    this.taken.sort((one, other) => one.begun - other.begun);
    this.tell();
  }

  queues() {
    return [...this.taken, this.mine];
  }

  waiting() {
    return this.queues().flatMap((queue) => queue.items.filter((item) => !item.refused));
  }

  refused() {
    return this.queues().flatMap((queue) => queue.items.filter((item) => item.refused));
  }

  // item: { url, job, fields, label }
  add(item) {
    this.mine.add(item);
    this.tell();
    this.pump();
  }

  letGo(item) {
    for (const queue of this.queues()) if (queue.items.includes(item)) queue.drop(item, true);
    this.tell();
  }

  tell() {
    this.dispatchEvent(new Event("change"));
  }

  async pump() {
    if (this.running) return;
    this.running = true;
    try {
      for (const queue of this.queues()) {
        for (let item; (item = queue.items.find((one) => !one.refused)); ) {
          if (!(await this.send(queue, item))) return this.later();
        }
      }
      this.taken = this.taken.filter((queue) => queue.items.length);
    } finally {
      this.running = false;
    }
  }

  later() {
    this.down = true;
    this.tell();
    const pause = PAUSES_MS[Math.min(this.tries++, PAUSES_MS.length - 1)];
    setTimeout(() => this.pump(), pause);
  }

  // True when the item is dealt with, false when the bench does not answer.
  async send(queue, item) {
    const body = new URLSearchParams({ ...item.fields, client: queue.client, sequence: String(item.sequence) });
    const more = queue.items.length > 1; // what the readings say is asked with the last one
    if (more) body.set("more", "yes");
    const judging = new AbortController();
    const headers = { "X-Requested-With": "waywright" };
    let answer;
    try {
      answer = await fetch(item.url, { method: "POST", body, headers, keepalive: true, signal: judging.signal });
    } catch {
      this.why = "";
      return false;
    }
    if (answer.status >= 500) {
      this.why = [503, 507].includes(answer.status) ? await words(answer) : "";
      return false;
    }
    this.down = false;
    this.why = "";
    this.tries = 0;
    if (answer.ok) {
      const answers = lines(answer.body);
      const told = await answers.next().then((one) => one.value, () => undefined);
      if (!told) return false;
      queue.drop(item, told.used);
      this.overtake(item);
      this.follow(item, told);
      this.dispatchEvent(new CustomEvent("saved", { detail: { item, told } }));
      if (!more) {
        this.judging?.abort(); // of the one before: this one's is newer
        this.judging = judging;
      }
      this.judged(item, answers);
      this.tell();
      return true;
    }
    const json = answer.headers.get("content-type")?.includes("json");
    const told = json ? await answer.json().catch(() => null) : { words: "The bench refused this." };
    if (told === null) return false;
    if (answer.status === 425) {
      this.again(queue, item, told.expected);
    } else {
      item.refused = told;
      queue.renumber(item.job, item.sequence);
      queue.keep();
      this.dispatchEvent(new CustomEvent("refused", { detail: { item, told } }));
    }
    this.tell();
    return true;
  }

  // What was refused at the places that are saved now was put right by it.
  overtake(saved) {
    for (const item of this.refused()) {
      const places = Object.entries(item.fields).filter(([name]) => name.startsWith("place."));
      const same = item.url === saved.url && item.refused.theirs === undefined;
      if (same && places.every(([name, place]) => saved.fields[name] === place)) this.letGo(item);
    }
  }

  // What a saved entry is judged to be comes later; the next one does not wait for it.
  async judged(item, answers) {
    try {
      for await (const told of answers) this.dispatchEvent(new CustomEvent("saved", { detail: { item, told } }));
    } catch {
      // the bench went down, or a newer entry is judged instead
    }
  }

  // The bench expects another number, or has this number with something else in it: a new name starts from 1.
  again(queue, item, expected) {
    if (expected) {
      queue.renumber(item.job, expected);
    } else {
      localStorage.removeItem(PREFIX + queue.client);
      queue.client = crypto.randomUUID();
      this.hold(queue.client);
      queue.renumber(item.job, 1);
    }
    queue.keep();
  }

  // What was typed over an entry that was still on its way corrects the reading that it became.
  follow(item, told) {
    const rows = new Map((told.rows ?? []).map((row) => [row.place, row]));
    for (const queue of this.queues()) {
      for (const later of queue.items) {
        if (later.url !== item.url) continue;
        for (const [name, place] of Object.entries(later.fields)) {
          const k = name.startsWith("place.") ? name.slice(6) : null;
          const row = k === null ? undefined : rows.get(place);
          if (!row || item.fields[`place.${k}`] !== place) continue;
          if (later.fields[`reading.${k}`] !== item.fields[`reading.${k}`]) continue;
          later.fields[`reading.${k}`] = row.reading;
          later.fields[`version.${k}`] = String(row.version);
          later.fields.act = String(told.act);
        }
      }
      queue.keep();
    }
  }
}

// The sentence in an answer that is a part of a page.
async function words(answer) {
  const text = await answer.text().catch(() => "");
  return new DOMParser().parseFromString(text, "text/html").body.textContent.trim();
}

// The lines of an answer as they come, each one JSON.
async function* lines(body) {
  const reader = body.pipeThrough(new TextDecoderStream()).getReader();
  let text = "";
  try {
    for (let part; !(part = await reader.read()).done; ) {
      text += part.value;
      const whole = text.split("\n");
      text = whole.pop();
      for (const line of whole) if (line) yield JSON.parse(line);
    }
    if (text) yield JSON.parse(text);
  } finally {
    reader.cancel().catch(() => {});
  }
}

export const unsaved = new Unsaved();
