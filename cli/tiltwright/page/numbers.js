"use strict";
// Numbers as the library has them: the same sines, the same sums, and the same last digit.
// (kinematics/angles.py, kinematics/forward.py, output/numbers.py)

const SHOWN_FROM = 9; // a number is taken to its ninth decimal before it is rounded for show

function nearestWhole(x) { // ties to even
  const below = Math.floor(x), rest = x - below;
  if (rest !== 0.5) return rest < 0.5 ? below : below + 1;
  return below % 2 === 0 ? below : below + 1;
}

function sincosDeg(angle) { // whole quarter turns first: 90 degrees give exactly 1 and 0
  const quarters = nearestWhole(angle / 90), rest = (angle - 90 * quarters) * (Math.PI / 180);
  const quadrant = ((quarters % 4) + 4) % 4, s = Math.sin(rest), c = Math.cos(rest);
  return [[s, c], [c, -s], [-s, -c], [-c, s]][quadrant];
}

function offZeroDeg(rotary, angle) {
  return rotary.zero_deg ? angle - 360 * nearestWhole(angle / 360) - rotary.zero_deg : angle;
}

function angleProducts(rotaries, angles) { // all products of (1, cos, sin), outer rotaries slowest
  let products = [1];
  rotaries.forEach((rotary, i) => {
    const [s, c] = sincosDeg(offZeroDeg(rotary, angles[i]));
    products = products.flatMap(p => [p, p * c, p * s]);
  });
  return products;
}

function summed(coefficients, products) {
  let sum = 0;
  for (let i = 0; i < products.length; i++) sum += coefficients[i] * products[i];
  return sum;
}

function carriedPoint(coefficients, products) { return coefficients.map(row => summed(row, products)); }

function poseAt(coefficients, products) { // three rows of four
  return coefficients.map(row => row.map(entry => summed(entry, products)));
}

function ninth(value) { // its digits to the ninth decimal, as one whole number
  const scaled = value * 1024; // a tie at the ninth decimal is an odd multiple of 1/1024
  if (Number.isInteger(scaled) && Math.abs(scaled) % 2 === 1) {
    const tenth = BigInt(scaled) * 9765625n, cut = tenth / 10n;
    return cut % 2n === 0n ? cut : cut + (tenth < 0n ? -1n : 1n);
  }
  return BigInt(value.toFixed(SHOWN_FROM).replace(".", ""));
}

function fixed(value, decimals) { // half to even at the last digit shown, never a minus before a zero
  const digits = ninth(value), unit = 10n ** BigInt(SHOWN_FROM - decimals), size = digits < 0n ? -digits : digits;
  let whole = size / unit;
  const twice = 2n * (size % unit);
  if (twice > unit || (twice === unit && whole % 2n === 1n)) whole += 1n;
  const text = String(whole).padStart(decimals + 1, "0"), cut = text.length - decimals;
  return (digits < 0n && whole !== 0n ? "-" : "") + text.slice(0, cut) + (decimals ? "." + text.slice(cut) : "");
}

function toNinth(value) { return Number(ninth(value)) / 1e9; }

function lengthText(mm, page) { return fixed(toNinth(mm) / page.unit_mm, page.decimals); }

function angleText(degrees, page) { return fixed(degrees, page.angle_decimals); }

function general(value) { // six significant digits at most, as the command writes limits
  return String(Number(value.toPrecision(6)));
}

function typedNumber(text) { // as people type it; NaN for anything else
  const plain = text.trim().replace("\u2212", "-").replace(",", ".");
  return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(plain) ? Number(plain) : NaN;
}

function withMinus(text) { return text.replace("-", "\u2212"); }
