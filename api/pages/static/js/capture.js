// Focus, exposure and size at the moment of capture. Where the part lies is not known here, so the middle of the
// picture stands for it; limits and advice are those of GET /api/v1/fitness.

import { edgeSpread, halve, percentile, shakePx } from "./focus.js";

const WORKING_PX = 1024; // as the library works
const MIDDLE = 0.6; // of the short side: where a part that was aimed at lies
const PART = 0.5; // of the short side: how long such a part is
const WHITE = 250;
const BLACK = 3;

/** Fills {value:.1f}, {limit:.0%} and the like. */
export function advise(text, values) {
  return text.replace(/\{(\w+)(?::\.(\d)([f%]))?\}/g, (_, name, digits, form) => {
    const value = values[name];
    if (form === undefined) return value;
    return form === "%" ? `${(100 * value).toFixed(digits)}%` : value.toFixed(digits);
  });
}

/**
 * The faults of a picture; none means that nothing speaks against keeping it.
 * @param {{data: Uint8ClampedArray, width: number, height: number}} picture RGBA, long side at most 1024.
 * @param {number} shortPx Short side of the photo as taken.
 * @param {object} fitness Limits, advice and courses of the data.
 */
export function faultsOf(picture, shortPx, { limits, advice, courses }) {
  const faults = [];
  const say = (kind, value, limit, course = "") =>
    faults.push({ kind, value, limit, advice: advise(advice[kind], { value, limit, course }) });
  const short = Math.min(picture.width, picture.height);
  // A part that fills the middle must reach the least size that can be judged.
  if (PART * shortPx < limits.round_size_px) say("too_small", PART * shortPx, limits.round_size_px);
  exposure(picture, limits, say);
  const spread = edgeSpread(halve(greyOf(picture)));
  if (spread) {
    const [sigma, sharp, soft] = [2 * spread.sigma, 2 * spread.sharp, 2 * spread.soft];
    const most = Math.max(limits.blur_px, limits.blur_ratio * PART * short);
    if (soft > limits.shake_contrast * sharp && soft > most) {
      const course = courses[Math.round(spread.direction / 45) % 4];
      say("motion_blurred", shakePx(soft, sharp), shakePx(most, most / limits.shake_contrast), course);
    } else if (Math.max(sigma, sharp) > most) say("blurred", Math.max(sigma, sharp), most);
  }
  return faults;
}

function exposure(picture, limits, say) {
  const { data, width, height } = picture;
  const grey = Uint8Array.from(greyOf(picture).data, Math.round); // whole codes sort quickly
  const [low, top, high] = [1, 95, 99].map((percent) => percentile(grey, percent) / 255);
  const radius2 = ((MIDDLE * Math.min(width, height)) / 2) ** 2;
  const count = { middle: 0, black: 0, any: 0, all: 0, outside: 0, washed: 0 };
  for (let i = 0; i < grey.length; i++) {
    const middle = ((i % width) - width / 2) ** 2 + (Math.floor(i / width) - height / 2) ** 2 < radius2;
    const clipped = (data[4 * i] >= WHITE) + (data[4 * i + 1] >= WHITE) + (data[4 * i + 2] >= WHITE);
    if (middle) {
      count.middle += 1;
      count.black += grey[i] <= BLACK;
      count.any += clipped >= 1;
      count.all += clipped === 3;
    } else {
      count.outside += 1;
      count.washed += clipped >= 2;
    }
  }
  const black = count.black / count.middle;
  if (top < limits.dark_level) say("too_dark", top, limits.dark_level);
  else if (black > limits.black_ratio) say("shadows_clipped", black, limits.black_ratio);
  const washed = count.washed > limits.washed_ratio * count.outside;
  const white = (washed ? count.any : count.all) / count.middle;
  const most = washed ? limits.bright_ratio : limits.blank_ratio;
  if (white > most) say("too_bright", white, most);
  else if (top >= limits.dark_level && high - low < limits.contrast) say("low_contrast", high - low, limits.contrast);
}

/** Brightness of an RGBA picture, 0 to 255. */
function greyOf({ data, width, height }) {
  const grey = new Float32Array(width * height);
  for (let i = 0; i < grey.length; i++) {
    grey[i] = 0.299 * data[4 * i] + 0.587 * data[4 * i + 1] + 0.114 * data[4 * i + 2];
  }
  return { data: grey, width, height };
}

/**
 * Reads a photo and looks at it.
 * @returns {Promise<?{faults: object[], canvas: HTMLCanvasElement}>} null where this browser cannot show the file.
 */
export async function checkPhoto(file, fitness) {
  let bitmap;
  try {
    bitmap = await createImageBitmap(file);
  } catch {
    return null;
  }
  const scale = Math.min(1, WORKING_PX / Math.max(bitmap.width, bitmap.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.max(1, Math.round(bitmap.width * scale));
  canvas.height = Math.max(1, Math.round(bitmap.height * scale));
  const brush = canvas.getContext("2d", { willReadFrequently: true });
  brush.imageSmoothingQuality = "high";
  brush.drawImage(bitmap, 0, 0, canvas.width, canvas.height);
  const picture = brush.getImageData(0, 0, canvas.width, canvas.height);
  return { faults: faultsOf(picture, Math.min(bitmap.width, bitmap.height), fitness), canvas };
}
