// Walks from a symptom, as wearvision/walk.py does, on the data of GET /api/v1/starts. Pure.

import { general, ReadingError, readReading } from "./readings.js";

const AMBIENT_O2 = 20.9;
const CO2_MAX = 15.5;
const OIL_K = 94;
const RATED_BAR = 6.895;
/** What `computes` of a check makes of its reading; sources: wearvision/combustion.py. */
const NOTES = {
  "reserve air": (o2) => {
    const co2 = (CO2_MAX * (AMBIENT_O2 - o2)) / AMBIENT_O2;
    const excess = (OIL_K * o2) / (21 - o2);
    return `Oxygen ${general(o2)} % belongs to carbon dioxide ${co2.toFixed(1)} % and about ${excess.toFixed(0)} % excess air.`;
  },
  "nozzle flow": (bar) =>
    `At ${bar.toFixed(1)} bar a nozzle gives about ${Math.sqrt(bar / RATED_BAR).toFixed(2)} times the flow printed on it (at 100 psi).`,
};

/**
 * @param {string} id Of the start.
 * @param {Array<{check: string, answer: *}>} answers So far, in order.
 * @param {object} data starts, checks, ends and pairs; units and open of the hand checks.
 * @returns {{steps: object[], check: ?object, end: ?object, photograph: string[]}}
 * @throws {ReadingError} an answer makes no sense for its check, or two readings do not fit each other.
 */
export function walk(id, answers, data) {
  const start = data.starts.find((one) => one.id === id);
  const named = new Map([...data.checks, ...data.ends].map((one) => [one.id, one]));
  const isEnd = (one) => "kind" in one;
  let place = named.get(start.checks[0]);
  const steps = [];
  for (const { check, answer } of answers) {
    if (isEnd(place) || check !== place.id) throw new Error(`${check} is not the next check`);
    const finding = readReading(place, answer, data);
    fits(data.pairs, place, finding, steps);
    let after = place; // an answer that lies on both sides of a limit leads nowhere yet
    if (finding.next === "onward") after = named.get([...start.checks, start.then][start.checks.indexOf(place.id) + 1]);
    else if (finding.next) after = named.get(finding.next);
    const note = (finding.low && NOTES[place.computes]?.(finding.low)) || "";
    steps.push({ check: place, finding, leads_to: after.id, note });
    place = after;
  }
  const asked = [...steps.map((step) => step.check.photograph), isEnd(place) ? null : place.photograph];
  return {
    steps,
    check: isEnd(place) ? null : place,
    end: isEnd(place) ? place : null,
    photograph: [...new Set(asked.filter(Boolean))],
  };
}

/** Refuses a reading that does not fit an earlier one. */
function fits(pairs, check, finding, steps) {
  for (const pair of pairs) {
    const first = steps.findLast((step) => step.check.id === pair.first)?.finding;
    if (check.id !== pair.second || !first?.high || !finding.low) continue;
    const factor = (o2, co2) => (pair.ambient - o2) / co2;
    const lowest = factor(first.high, finding.high || finding.low);
    const highest = factor(first.low || 0, finding.low);
    if (highest >= pair.low && lowest <= pair.high) continue;
    const found = `${pair.name} ${factor(first.high, finding.low).toFixed(3)}`;
    throw new ReadingError(`${check.id}: ${finding.entered} does not fit ${pair.first} ${first.entered} (${found}). ${pair.text}`);
  }
}
