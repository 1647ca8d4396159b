// Asks the service, and tells a lost link from a refusal: what a lost link held up is sent again, a refusal is said.

const ANSWER_MS = 20_000;

/** There was no answer, or none of the service itself: nothing is known of what was sent. */
export class NoLink extends Error {}

/** The service said no; the message is its own sentence. */
export class Refused extends Error {
  constructor(status, problem) {
    super(problem?.detail ?? problem?.title ?? `The service answered ${status}.`);
    this.status = status;
    this.code = problem?.code ?? problem?.type ?? "";
  }
}

/**
 * One call; gives the answer's JSON, null for an empty one.
 * @param {string} path Below /api/v1.
 * @param {{method?: string, body?: object, key?: string}} call `key` makes a repeated call harmless.
 */
export async function ask(path, { method = "GET", body, key } = {}) {
  const headers = { Accept: "application/json", "X-CSRF": document.querySelector("meta[name=csrf]").content };
  if (body !== undefined) headers["Content-Type"] = "application/json";
  if (key) headers["Idempotency-Key"] = key;
  let reply;
  try {
    const signal = AbortSignal.timeout(ANSWER_MS);
    reply = await fetch(`/api/v1${path}`, { method, headers, body: JSON.stringify(body), signal, cache: "no-store" });
  } catch {
    throw new NoLink("No link to the service.");
  }
  const text = await reply.text().catch(() => "");
  const said = read(text);
  if (reply.ok) return said;
  // What stands between (a proxy, a service that starts again) answers 5xx: as good as no link.
  if (reply.status >= 500 || reply.status === 429) throw new NoLink(said?.detail ?? "The service does not answer.");
  throw new Refused(reply.status, said);
}

function read(text) {
  try {
    return text ? JSON.parse(text) : null;
  } catch {
    return null;
  }
}
