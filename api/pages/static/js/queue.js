// What was recorded without a link, and how it is sent: each record exactly once, in order, nothing dropped.
// The store, the network and the clock come from outside, so that it runs in a page, in the worker and in a test.

const FIRST_WAIT_MS = 2_000;
const LONGEST_WAIT_MS = 300_000;
const PATIENCE_MS = 120_000; // a large photo over a weak link
const AGAIN = new Set([408, 425, 429]);

export const newId = () => crypto.randomUUID();

/** An item: one POST with an id and an idempotency key of its own; `needs` are ids that must have gone before. */
export function item(kind, path, body, { needs = [], label = "", file = null, id = body.id ?? newId() } = {}) {
  return {
    id,
    kind,
    path,
    body: { ...body, id },
    file,
    needs,
    label,
    key: `${kind}-${id}`,
    state: "waiting",
    tries: 0,
    next: 0,
    message: "",
    kept: new Date().toISOString(),
    by: "",
  };
}

/** Photos of one part and the request to grade them. */
export function gradeItems(files, { part = "", purpose = "as-removed", inspection = "", reference = "", id } = {}) {
  const photos = files.map((file) =>
    item("photo", "/api/v1/photos", { purpose }, { file, label: `Photo ${file.name || "of the camera"}` }),
  );
  const body = { photos: photos.map((photo) => photo.id) };
  if (id) body.id = id;
  if (part) body.part = part;
  if (inspection) body.inspection = inspection;
  if (reference) body.reference = reference;
  const needs = inspection ? [...body.photos, inspection] : body.photos;
  return [...photos, item("grade", "/api/v1/grades", body, { needs, label: `Grade ${part.replace("_", " ") || "part"}` })];
}

/** A hand check's reading for a grade, sent or waiting. */
export function readingItem(grade, check, value, unit, label, id) {
  const body = { check, value, unit };
  if (id) body.id = id;
  return item("reading", `/api/v1/grades/${grade}/readings`, body, { needs: [grade], label });
}

export class Queue {
  /**
   * @param {object} store As idb.js gives it.
   * @param {object} world `fetch`, `now` (ms), `link` (async: {csrf, account}, or {login: true}, or null for none),
   *   `changed` (called after each change).
   */
  constructor(store, { fetch, now = Date.now, link, changed = () => {} }) {
    Object.assign(this, { store, fetch, now, link, changed });
  }

  /** Keeps items; when this resolves they are on the phone's disk. */
  async keep(items) {
    const by = (await this.store.fact("account")) ?? "";
    await this.store.add(items.map((one) => ({ ...one, by })));
    this.changed();
  }

  /**
   * Sends what can be sent.
   * @returns {{sent: number, left: number, wait: ?number, login: boolean}} `wait`: ms until the next try, null for
   *   none needed.
   */
  async send() {
    const report = { sent: 0, left: 0, wait: null, login: false };
    if ((await this.store.items()).some((one) => one.state !== "parked")) {
      const link = await this.link();
      if (link?.login) report.login = true;
      else if (link) {
        if (link.account) await this.store.note("account", link.account);
        await this.#round(link, report);
      }
    }
    const left = (await this.store.items()).filter((one) => one.state !== "parked");
    const next = left.filter((one) => one.next).map((one) => one.next);
    report.left = left.length;
    if (left.length && !report.login) {
      report.wait = Math.max(FIRST_WAIT_MS, next.length ? Math.min(...next) - this.now() : 10 * FIRST_WAIT_MS);
    }
    this.changed();
    return report;
  }

  async #round(link, report) {
    // Read afresh each time: items come and go while one is on its way.
    for (const tried = new Set(); ; ) {
      const items = await this.store.items();
      const there = new Set(items.map((one) => one.id));
      const item = items.find(
        (one) =>
          one.state !== "parked" &&
          !tried.has(one.seq) &&
          one.next <= this.now() &&
          !one.needs.some((id) => there.has(id)),
      );
      if (!item) return;
      tried.add(item.seq);
      if (item.by && link.account && item.by !== link.account) {
        await this.#park(item, "Another account kept this on the phone; log in as that one, then retry.");
        continue;
      }
      const outcome = await this.#post(item, link);
      if (outcome === "sent") report.sent += 1;
      if (outcome === "login") report.login = true;
      if (outcome === "login" || outcome === "no link") return;
      this.changed();
    }
  }

  async #post(item, link) {
    const headers = { "Idempotency-Key": item.key, "X-CSRF": link.csrf ?? "", Accept: "application/json" };
    const init = { method: "POST", headers, credentials: "same-origin", signal: AbortSignal.timeout(PATIENCE_MS) };
    if (item.file) {
      init.body = new FormData();
      for (const [name, value] of Object.entries(item.body)) init.body.append(name, value);
      init.body.append("file", item.file, item.file.name || "photo.jpg");
    } else {
      init.body = JSON.stringify(item.body);
      headers["Content-Type"] = "application/json";
    }
    let reply, said;
    try {
      reply = await this.fetch(item.path, init);
      said = await reply.json().catch(() => null);
    } catch {
      await this.#later(item, "No answer; it is tried again.");
      return "no link";
    }
    // Only an answer that names the record is a receipt; a hotel's log-in page is none.
    if (reply.ok && JSON.stringify(said).includes(item.id)) {
      await this.store.done(item, {
        id: item.id,
        kind: item.kind,
        label: item.label,
        part: item.body.part,
        at: new Date(this.now()).toISOString(),
        ...(said.asked?.checks.length ? { asked: said.asked.reason } : {}),
      });
      return "sent";
    }
    const why = said?.detail ?? `The service answered ${reply.status}.`;
    if (reply.status === 401) {
      await this.store.change(item.seq, { state: "waiting", message: "Log in, then it is sent." });
      return "login";
    }
    const forged = reply.status === 403 && said?.code === "forged";
    if (reply.ok || reply.status >= 500 || AGAIN.has(reply.status) || (forged && item.tries < 3)) {
      await this.#later(item, why, Number(reply.headers.get("Retry-After")) * 1000 || 0);
      return "later";
    }
    await this.#park(item, why);
    return "parked";
  }

  #later(item, message, least = 0) {
    const wait = Math.min(LONGEST_WAIT_MS, Math.max(least, FIRST_WAIT_MS * 2 ** Math.min(item.tries, 10)));
    return this.store.change(item.seq, { state: "waiting", tries: item.tries + 1, next: this.now() + wait, message });
  }

  #park(item, message) {
    return this.store.change(item.seq, { state: "parked", message });
  }

  /** Tries a parked or waiting item again at once; what it needs is tried again as well. */
  async retry(seq) {
    const items = await this.store.items();
    const asked = items.find((one) => one.seq === seq);
    const again = items.filter((one) => one === asked || asked?.needs.includes(one.id));
    for (const one of again) await this.store.change(one.seq, { state: "waiting", next: 0, message: "" });
    this.changed();
  }

  /** Starts afresh after a link came back: no item waits out a pause that a dead link caused. */
  async hurry() {
    for (const one of await this.store.items()) {
      if (one.state === "waiting" && one.next) await this.store.change(one.seq, { next: 0 });
    }
  }

  /** The item and all that cannot be sent without it. */
  async withDependants(seq) {
    const items = await this.store.items();
    const gone = items.filter((one) => one.seq === seq);
    for (let grown = true; grown; ) {
      const ids = new Set(gone.map((one) => one.id));
      const more = items.filter((one) => !gone.includes(one) && one.needs.some((id) => ids.has(id)));
      gone.push(...more);
      grown = more.length > 0;
    }
    return gone;
  }

  async remove(items) {
    await this.store.remove(items.map((one) => one.seq));
    this.changed();
  }
}
