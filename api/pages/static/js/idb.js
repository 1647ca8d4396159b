// The phone's own store: IndexedDB behind promises. A write is kept when its promise resolves.

const NAME = "wearvision";
const VERSION = 1;

/** Items waiting to be sent (`items`, in order), what was sent (`sent`), and small facts (`facts`). */
export function openStore() {
  return new Promise((resolve, reject) => {
    const opening = indexedDB.open(NAME, VERSION);
    opening.onupgradeneeded = () => {
      const db = opening.result;
      db.createObjectStore("items", { keyPath: "seq", autoIncrement: true }).createIndex("id", "id", { unique: true });
      db.createObjectStore("sent", { keyPath: "id" }).createIndex("at", "at");
      db.createObjectStore("facts");
    };
    opening.onsuccess = () => {
      opening.result.onversionchange = () => opening.result.close();
      resolve(new Store(opening.result));
    };
    opening.onerror = () => reject(opening.error);
    opening.onblocked = () => reject(new Error("Close the other windows of this page, then try again."));
  });
}

class Store {
  constructor(db) {
    this.db = db;
  }

  /** One transaction; resolves when it is on disk (strict), with what `work` returned. */
  run(names, mode, work) {
    return new Promise((resolve, reject) => {
      const step = this.db.transaction(names, mode, { durability: "strict" });
      let result;
      step.oncomplete = () => resolve(result instanceof IDBRequest ? result.result : result);
      step.onabort = () => reject(step.error ?? new Error("The phone's storage took nothing."));
      step.onerror = () => reject(step.error);
      result = work(...names.map((name) => step.objectStore(name)));
    });
  }

  /** All or nothing: several items in their order. */
  add(items) {
    return this.run(["items"], "readwrite", (store) => void items.forEach((item) => store.add(item)));
  }

  items() {
    return this.run(["items"], "readonly", (store) => store.getAll());
  }

  /** Changes an item unless it has been removed meanwhile. */
  change(seq, changes) {
    return this.run(["items"], "readwrite", (store) => {
      const asked = store.get(seq);
      asked.onsuccess = () => asked.result && store.put({ ...asked.result, ...changes });
    });
  }

  remove(seqs) {
    return this.run(["items"], "readwrite", (store) => void seqs.forEach((seq) => store.delete(seq)));
  }

  /** From waiting to sent in one step; keeps the newest hundred of what was sent. */
  done(item, record) {
    return this.run(["items", "sent"], "readwrite", (items, sent) => {
      items.delete(item.seq);
      sent.put(record);
      const keys = sent.index("at").getAllKeys();
      keys.onsuccess = () => keys.result.slice(0, -100).forEach((key) => sent.delete(key));
    });
  }

  sent() {
    return this.run(["sent"], "readonly", (store) => store.getAll());
  }

  fact(name) {
    return this.run(["facts"], "readonly", (store) => store.get(name));
  }

  note(name, value) {
    return this.run(["facts"], "readwrite", (store) => store.put(value, name));
  }
}
