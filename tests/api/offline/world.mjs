// A phone's store in memory and a service that keeps records by idempotency key, with a link that fails on demand.

export class MemoryStore {
  rows = [];
  log = [];
  facts = {};
  last = 0;

  async add(items) {
    for (const item of items) this.rows.push({ ...structuredClone(item), seq: ++this.last });
  }
  async items() {
    return structuredClone(this.rows);
  }
  async change(seq, changes) {
    this.rows = this.rows.map((row) => (row.seq === seq ? { ...row, ...changes } : row));
  }
  async remove(seqs) {
    this.rows = this.rows.filter((row) => !seqs.includes(row.seq));
  }
  async done(item, record) {
    await this.remove([item.seq]);
    this.log.push(record);
  }
  async sent() {
    return this.log;
  }
  async fact(name) {
    return this.facts[name];
  }
  async note(name, value) {
    this.facts[name] = value;
  }
}

/** `mood(path, count)` says what becomes of a call: "ok", "cut" (never arrives), "lost" (stored, answer lost), or a reply. */
export class Service {
  records = [];
  replies = new Map();
  calls = 0;

  constructor(mood = () => "ok") {
    this.mood = mood;
  }

  fetch = async (path, init) => {
    const mood = this.mood(path, ++this.calls);
    if (mood === "cut") throw new TypeError("Failed to fetch");
    if (typeof mood === "object") return reply(mood.status, mood.body, mood.headers);
    const key = init.headers["Idempotency-Key"];
    if (!this.replies.has(key)) {
      const body = init.body instanceof FormData ? Object.fromEntries(init.body) : JSON.parse(init.body);
      for (const id of body.photos ?? []) {
        if (!this.records.some((one) => one.id === id)) return reply(404, { detail: "There is no such photo." });
      }
      this.records.push({ path, id: body.id });
      this.replies.set(key, path.endsWith("/readings") ? { id: path.split("/")[4], readings: [{ id: body.id }] } : { id: body.id });
    }
    if (mood === "lost") throw new TypeError("Failed to fetch");
    return reply(201, this.replies.get(key));
  };
}

function reply(status, body, headers = {}) {
  return new Response(typeof body === "string" ? body : JSON.stringify(body), { status, headers });
}

export function phone(queueModule, service, options = {}) {
  const store = new MemoryStore();
  const clock = { ms: 1_000_000 };
  const link = options.link ?? (async () => ({ csrf: "token", account: "a" }));
  const queue = new queueModule.Queue(store, { fetch: service.fetch, now: () => clock.ms, link });
  /** Sends until nothing waits, the clock running on; gives up after many rounds. */
  const settle = async (rounds = 60) => {
    for (let round = 0; round < rounds; round++) {
      const report = await queue.send();
      if (report.wait === null) return round + 1;
      clock.ms += report.wait;
    }
    return null;
  };
  return { store, queue, clock, settle };
}

/** One part: two photos, their grade and a reading. */
export function part(queueModule) {
  const file = new File([new Uint8Array([255, 216, 255])], "cell.jpg", { type: "image/jpeg" });
  const items = queueModule.gradeItems([file, file], { part: "flame_cell" });
  return [...items, queueModule.readingItem(items.at(-1).id, "cell-lit", "1650", "ohm", "Lit resistance")];
}
