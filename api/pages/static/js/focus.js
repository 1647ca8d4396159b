// How soft the edges of a picture are, as wearvision/measure/focus.py measures it: the ratio of two gradients.

const PROBE_PX = 1;
const SOFT_PX = 1.25;
const SOFT_ONE_WAY_PX = 2;
const LEVELS = 3;
const STRONG = 0.35;
const STRONG_ANY = 0.08;
const ROUNDING = 1e-3;
const NOISE_FACTOR = 6;
const STEP_RATIO2 = 3.9;
const SHAKE_PER_SIGMA = 2;
const BINS = 12;
const MIN_EDGES = 24;
const MIN_BIN = 6;
const MIN_DIRECTIONS = 6;

/** The value under which `percent` of the numbers lie, linear between neighbours, as NumPy has it. */
export function percentile(numbers, percent) {
  const sorted = (ArrayBuffer.isView(numbers) ? numbers.slice() : Float64Array.from(numbers)).sort();
  const place = ((sorted.length - 1) * percent) / 100;
  const below = Math.floor(place);
  const above = Math.min(below + 1, sorted.length - 1);
  return sorted[below] + (sorted[above] - sorted[below]) * (place - below);
}

/** A picture of one channel at half size, by areas. */
export function halve({ data, width, height }) {
  const half = { width: width >> 1, height: height >> 1 };
  half.data = new Float32Array(half.width * half.height);
  for (let y = 0; y < half.height; y++) {
    for (let x = 0; x < half.width; x++) {
      const at = 2 * y * width + 2 * x;
      half.data[y * half.width + x] = (data[at] + data[at + 1] + data[at + width] + data[at + width + 1]) / 4;
    }
  }
  return half;
}

/** Length of the even shake that softens edges so much one way and so little the other. */
export function shakePx(soft, sharp) {
  return SHAKE_PER_SIGMA * Math.sqrt(Math.max(0, soft ** 2 - sharp ** 2));
}

/**
 * Softness of the strongest edges in pixels: {sigma, sharp, soft, direction}, or null for a blank picture.
 * @param {{data: Float32Array, width: number, height: number}} grey Brightness, 0 to 255.
 */
export function edgeSpread(grey) {
  let spread = null;
  for (let level = 0, scale = 1; level < LEVELS; level++, scale *= 2) {
    const found = atScale(grey, scale);
    if (!found) break;
    if (!spread || found.soft > spread.soft) {
      spread = { ...found, sigma: Math.max(found.sigma, spread?.sigma ?? 0) };
    }
    const firm = found.sigma < SOFT_PX * scale && found.soft < SOFT_ONE_WAY_PX * scale;
    if (firm || Math.min(grey.width, grey.height) < 64) break;
    grey = halve(grey);
  }
  return spread;
}

function atScale(grey, scale) {
  const [alongX, alongY] = gradient(grey, PROBE_PX);
  const fine = sizeOf(alongX, alongY);
  const coarse = sizeOf(...gradient(grey, 2 * PROBE_PX));
  const found = edges(alongX, alongY, fine, grey);
  if (found.length < MIN_EDGES) return null;
  const kept = [];
  for (const { at, bin } of found) {
    const ratio2 = (fine[at] / Math.max(coarse[at], 1e-6)) ** 2;
    if (ratio2 >= STEP_RATIO2) continue;
    const variance = ratio2 > 1 ? ((4 - ratio2) * PROBE_PX ** 2) / Math.max(ratio2 - 1, 1e-3) : 400;
    kept.push({ bin, size: fine[at], variance: Math.min(400, Math.max(0, variance - 1 / 12)) });
  }
  if (kept.length < MIN_EDGES) return null;
  const need = STRONG * percentile(kept.map((edge) => edge.size), 98);
  return summary(kept, need, scale);
}

function summary(kept, need, scale) {
  const median = (rows) => percentile(rows.map((edge) => edge.variance), 50);
  const typical = median(kept.filter((edge) => edge.size > need));
  const bins = Array.from({ length: BINS }, (_, bin) => kept.filter((edge) => edge.bin === bin));
  const points = bins.flatMap((rows, bin) =>
    rows.length < MIN_BIN ? [] : [[2 * (bin + 0.5) * (Math.PI / BINS), median(rows)]],
  );
  let [mean, cosine, sine] = [typical, 0, 0];
  if (points.length >= MIN_DIRECTIONS) [mean, cosine, sine] = harmonic(points);
  const swing = Math.min(Math.hypot(cosine, sine), Math.max(0, mean));
  return {
    sigma: scale * Math.sqrt(typical),
    sharp: scale * Math.sqrt(Math.max(0, mean - swing)),
    soft: scale * Math.sqrt(Math.max(0, mean + swing)),
    direction: ((Math.atan2(sine, cosine) * 90) / Math.PI + 180) % 180,
  };
}

/** Least squares of a constant and one harmonic, by the normal equations. */
function harmonic(points) {
  const rows = points.map(([angle, value]) => [1, Math.cos(angle), Math.sin(angle), value]);
  const m = [0, 1, 2].map((i) => [0, 1, 2, 3].map((j) => rows.reduce((sum, row) => sum + row[i] * row[j], 0)));
  for (let i = 0; i < 3; i++) {
    for (let k = 0; k < 3; k++) {
      if (k === i) continue;
      const share = m[k][i] / m[i][i];
      for (let j = i; j < 4; j++) m[k][j] -= share * m[i][j];
    }
  }
  return m.map((row, i) => row[3] / row[i]);
}

function gradient({ data, width, height }, sigma) {
  const reach = Math.trunc(4 * sigma + 0.5);
  const steps = Array.from({ length: 2 * reach + 1 }, (_, i) => i - reach);
  let bell = steps.map((step) => Math.exp((-step * step) / (2 * sigma * sigma)));
  const sum = bell.reduce((a, b) => a + b);
  bell = bell.map((value) => value / sum);
  const norm = steps.reduce((total, step, i) => total + step * step * bell[i], 0);
  const slope = steps.map((step, i) => (step * bell[i]) / norm);
  const along = (row, column) => filtered(filtered(data, width, height, row, 1), width, height, column, width);
  return [along(slope, bell), along(bell, slope)];
}

/** Correlation with taps along a row (stride 1) or a column (stride width); the edge is repeated. */
function filtered(data, width, height, taps, stride) {
  const out = new Float32Array(data.length);
  const reach = taps.length >> 1;
  const last = (stride === 1 ? width : height) - 1;
  for (let y = 0, at = 0; y < height; y++) {
    for (let x = 0; x < width; x++, at++) {
      const place = stride === 1 ? x : y;
      let sum = 0;
      if (place >= reach && place <= last - reach) {
        for (let i = 0, from = at - reach * stride; i < taps.length; i++, from += stride) sum += taps[i] * data[from];
      } else {
        for (let i = 0; i < taps.length; i++) {
          const there = Math.min(last, Math.max(0, place + i - reach));
          sum += taps[i] * data[at + (there - place) * stride];
        }
      }
      out[at] = sum;
    }
  }
  return out;
}

function sizeOf(alongX, alongY) {
  return alongX.map((value, i) => Math.sqrt(value * value + alongY[i] * alongY[i]));
}

function noiseOf({ data, width }) {
  const steps = data.map((value, i) => (i % width ? Math.abs(value - data[i - 1]) : 0));
  return percentile(steps, 50) / 0.6745 / Math.SQRT2;
}

/** Where the gradient peaks across the edge and is strong for its direction. */
function edges(alongX, alongY, size, grey) {
  const { width, height } = grey;
  const noise = noiseOf(grey) / (Math.sqrt(8 * Math.PI) * PROBE_PX ** 2);
  const floor = Math.max(STRONG_ANY * percentile(size, 99), NOISE_FACTOR * noise, ROUNDING);
  const found = [];
  for (let y = 1; y < height - 1; y++) {
    for (let x = 1; x < width - 1; x++) {
      const at = y * width + x;
      const here = size[at];
      if (here <= floor) continue;
      const step = Math.round(alongX[at] / here) + width * Math.round(alongY[at] / here);
      if (here < size[at + step] || here < size[at - step]) continue;
      const angle = (Math.atan2(alongY[at], alongX[at]) + 2 * Math.PI) % Math.PI;
      found.push({ at, here, bin: Math.min(BINS - 1, Math.trunc((angle * BINS) / Math.PI)) });
    }
  }
  const need = Array.from({ length: BINS }, (_, bin) => {
    const sizes = found.filter((edge) => edge.bin === bin).map((edge) => edge.here);
    return sizes.length ? STRONG * percentile(sizes, 95) : 0;
  });
  return found.filter((edge) => edge.here > need[edge.bin]);
}
