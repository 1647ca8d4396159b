// Reads what a person enters for a hand check, as wearvision/readings.py does, on the data of GET /api/v1/checks.

const NUMBER = "(\\d+(?:\\.\\d+)?(?:/\\d+)?)";
const UNIT = "([^\\d\\s.,/-]*)";
const PLAIN = new RegExp(`^${NUMBER}\\s*${UNIT}$`);
const RANGE = new RegExp(`^${NUMBER}\\s*(?:-|to|…)\\s*${NUMBER}\\s*${UNIT}$`);
const FLASHES = /^(\d+)\s*flash(?:es)?$/;

export class ReadingError extends Error {}

/** A number with six digits, as Python's "g" writes it. */
export function general(value) {
  if (!Number.isFinite(value)) return value > 0 ? "inf" : "-inf";
  if (value === 0) return "0";
  const [digits, exponent] = value.toExponential(5).split("e");
  const power = Number(exponent);
  if (power >= -4 && power < 6) return String(Number(value.toPrecision(6)));
  const short = digits.replace(/\.?0+$/, "");
  return `${short}e${power < 0 ? "-" : "+"}${String(Math.abs(power)).padStart(2, "0")}`;
}

/** A text or number in quotes as Python shows it. */
export function quoted(value) {
  if (typeof value !== "string") return String(value);
  const mark = value.includes("'") && !value.includes('"') ? '"' : "'";
  const inner = value.replaceAll("\\", "\\\\").replaceAll("\n", "\\n").replaceAll("\t", "\\t");
  return mark + (mark === "'" ? inner.replaceAll("'", "\\'") : inner) + mark;
}

/**
 * What one reading says.
 * @param {object} check One of the checks of the data.
 * @param {string|number|object} value As typed; or {value, unit}, {low, high, unit}, {flashes}.
 * @param {object} data With `units` (unit to names and scales) and `open` (words for no end).
 * @returns {{check: string, entered: string, says: string, text: string, low: ?number, high: ?number, next: string}}
 * @throws {ReadingError} with the sentence for a person.
 */
export function readReading(check, value, data) {
  const reader = new Reader(check, data);
  if (!check.reading) reader.refuse("this check has no reading.");
  if (value !== null && typeof value === "object") {
    if ("flashes" in value) return reader.code(value.flashes);
    if ("low" in value && "high" in value) {
      const scale = reader.scale(value.unit);
      return reader.band(reader.number(value.low) * scale, reader.number(value.high) * scale);
    }
    if (typeof value.value === "string") return reader.text(value.value, value.unit);
    const number = reader.number(value.value) * reader.scale(value.unit);
    return reader.band(number, number);
  }
  if (typeof value === "string") return reader.text(value, "");
  const number = reader.number(value);
  if (!check.reading.unit) reader.refuse(`enter one of ${reader.words.join(", ")}; got ${value}.`);
  return reader.band(number, number);
}

class Reader {
  constructor(check, data) {
    this.check = check;
    this.data = data;
    this.unit = check.reading?.unit ?? "";
    this.answers = check.reading?.answers ?? [];
    this.words = this.answers.filter((answer) => answer.word).map((answer) => answer.word);
  }

  refuse(why) {
    throw new ReadingError(`${this.check.id}: ${why}`);
  }

  found(entered, answer, low = null, high = null) {
    const { says, text, next = "" } = answer;
    return { check: this.check.id, entered, says, text, low, high, next };
  }

  text(text, unit) {
    const typed = text.toLowerCase().trim().split(/\s+/).join(" ");
    const word = this.data.open.includes(typed) ? "open" : typed;
    const named = this.answers.find((answer) => answer.word?.toLowerCase() === word);
    if (named) return this.found(named.word, named);
    const flashes = FLASHES.exec(word);
    if (flashes) return this.code(Number(flashes[1]));
    const parts = RANGE.exec(text.trim()) ?? PLAIN.exec(text.trim());
    if (!parts || !this.unit) {
      const list = this.words.join(", ");
      const words = list ? ` or one of ${list}` : "";
      this.refuse(`enter ${this.unit ? `a number in ${this.unit}${words}` : `one of ${list}`}; got ${quoted(text)}.`);
    }
    const own = parts.at(-1);
    const scale = this.scale(own || unit);
    const [low, high] = parts.slice(1, -1).map((part) => this.fraction(part) * scale);
    return this.band(low, high ?? low);
  }

  fraction(text) {
    const [top, bottom] = text.split("/").map(Number);
    if (bottom === 0) this.refuse(`${quoted(text)} divides by zero.`);
    return bottom ? top / bottom : top;
  }

  number(value) {
    if (typeof value !== "number") this.refuse(`a number is needed, got ${quoted(value)}.`);
    if (Number.isNaN(value) || value < 0) this.refuse(`the reading must be a number from 0 up, got ${value}.`);
    return value;
  }

  scale(unit) {
    if (!unit || unit === this.unit) return 1;
    const known = this.data.units[this.unit] ?? {};
    if (!Object.hasOwn(known, unit)) {
      const names = Object.keys(known);
      const allowed = names.length ? names.join(", ") : "no unit, the reading is a word";
      this.refuse(`unit ${quoted(unit)} does not fit; allowed: ${allowed}.`);
    }
    return known[unit];
  }

  code(flashes) {
    const codes = this.answers.filter((answer) => "flashes" in answer);
    const answer = codes.find((one) => one.flashes === flashes);
    if (answer) return this.found(`${flashes} flashes`, answer, answer.low ?? null, top(answer));
    const known = codes.map((one) => one.flashes).join(", ") || "none";
    return this.refuse(`${quoted(flashes)} flashes mean nothing here; known are ${known}.`);
  }

  band(low, high) {
    if (!this.unit) this.refuse("this reading is a word, not a number.");
    if (low > high) this.refuse(`the range runs from ${general(low)} down to ${general(high)}.`);
    const unit = this.unit === "1" ? "" : ` ${this.unit}`;
    const entered = low === high ? `${general(low)}${unit}` : `${general(low)} to ${general(high)}${unit}`;
    if (low === Infinity) {
      const answer = this.answers.find((one) => one.word === "open" || one.word === "over range");
      return answer ? this.found(answer.word, answer) : this.refuse(`${entered} is no reading of this check.`);
    }
    const hit = this.answers.filter(
      (one) => !("flashes" in one) && "low" in one && low < top(one) && high >= one.low,
    );
    if (!hit.length) {
      this.refuse(`${entered} is no plausible ${this.check.reading.quantity}; look at unit and meter.`);
    }
    if (new Set(hit.map((one) => `${one.says} ${one.next ?? ""}`)).size > 1) {
      const text = `The range ${entered} lies on both sides of a limit: read it exactly.`;
      return this.found(entered, { says: "again", text }, low, high);
    }
    return this.found(entered, hit.at(-1), low, high);
  }
}

/** A band's upper end; JSON has no infinity. */
function top(answer) {
  return answer.high ?? Infinity;
}
