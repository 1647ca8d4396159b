// What is kept on this device: the draft of each example, labels that could not be sent, the label saved last. At once
// and without waiting, so that nothing is lost however the page ends; each account's own, so that second labels stay blind.

const MOST_DRAFTS = 50;

export class Keep {
  /** @param {string} account Whose. */
  constructor(account) {
    this.prefix = `label:${account}:`;
    this.memory = new Map(); // where storage is full or shut off
  }

  /** Whether the device itself keeps it: else leaving the page would lose it. */
  get lasts() {
    return this.memory.size === 0;
  }

  draft(example) {
    return this.#get(`draft:${example}`);
  }

  keepDraft(example, draft) {
    this.#set(`draft:${example}`, { ...draft, at: Date.now() });
  }

  dropDraft(example) {
    this.#drop(`draft:${example}`);
  }

  /** Labels that wait for a link: [{example, body, seconds, key}], in their order. */
  get outbox() {
    return this.#get("outbox") ?? [];
  }

  post(item) {
    this.#set("outbox", [...this.outbox.filter((one) => one.example !== item.example), item]);
  }

  posted(key) {
    const rest = this.outbox.filter((one) => one.key !== key);
    if (rest.length) this.#set("outbox", rest);
    else this.#drop("outbox");
  }

  /** The label saved last: {example, state}. */
  get last() {
    return this.#get("last");
  }

  set last(saved) {
    if (saved) this.#set("last", saved);
    else this.#drop("last");
  }

  #get(name) {
    if (this.memory.has(name)) return this.memory.get(name);
    try {
      return JSON.parse(localStorage.getItem(this.prefix + name));
    } catch {
      return null;
    }
  }

  #set(name, value) {
    try {
      localStorage.setItem(this.prefix + name, JSON.stringify(value));
      this.memory.delete(name);
    } catch {
      this.memory.set(name, value);
    }
    if (name.startsWith("draft:")) this.#thin();
  }

  #drop(name) {
    this.memory.delete(name);
    try {
      localStorage.removeItem(this.prefix + name);
    } catch {
      // storage is shut off, so there is nothing to remove
    }
  }

  /** Old drafts go, so that storage never fills. */
  #thin() {
    if (!this.lasts) return;
    const names = Object.keys(localStorage).filter((name) => name.startsWith(`${this.prefix}draft:`));
    if (names.length <= MOST_DRAFTS) return;
    const age = (name) => JSON.parse(localStorage.getItem(name))?.at ?? 0;
    names.sort((a, b) => age(a) - age(b));
    names.slice(0, names.length - MOST_DRAFTS).forEach((name) => localStorage.removeItem(name));
  }
}
