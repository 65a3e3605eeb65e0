// Numbers and findings as the pages say them (metrology/wording.py, comparison_words.py, conformity.py).

const MINUS = "\u2212", NBSP = "\u00a0";
// Normals come with seven digits.
const HALF_RIGHT_ANGLE = Math.cos(Math.PI / 4) - 1e-6;
const WAYS = [["too far forward", "too far back"], ["too far left", "too far right"], ["too high", "too low"]];

// toFixed rounds exact ties up, Python to even: measured values are no ties.
export function number(value, decimals = 1, signed = false) {
  const text = Math.abs(value).toFixed(decimals);
  if (Number(text) === 0) return text;
  return (value < 0 ? MINUS : signed ? "+" : "") + text;
}

export const mm = (value, decimals = 1, signed = false) => number(value, decimals, signed) + NBSP + "mm";

// One decimal or two; three where two would hide which side of `near` it lies.
export function length(value, near = null) {
  if (near !== null && value !== near && value.toFixed(2) === near.toFixed(2)) return mm(value, 3);
  return mm(value, Number(value.toFixed(1)) === Number(value.toFixed(2)) ? 1 : 2);
}

export function limits(lower, upper) {
  const exact = (decimals) => [lower, upper].every((x) => Math.abs(Number(x.toFixed(decimals)) - x) < 1e-9);
  const decimals = [1, 2].find(exact) ?? 3;
  if (lower === -upper && upper > 0) return "\u00b1" + mm(upper, decimals);
  return `${number(lower, decimals)} to ${mm(upper, decimals)}`;
}

export const share = (value) => (value * 100).toFixed(1) + NBSP + "%";

// Where the surface went: outside nominal is "too high" on a top face and "too low" on a bottom face.
export function direction(value, normal) {
  let axis = 0;
  for (const other of [1, 2]) if (Math.abs(normal[other]) > Math.abs(normal[axis])) axis = other;
  if (Math.abs(normal[axis]) < HALF_RIGHT_ANGLE) return value > 0 ? "outside nominal" : "inside nominal";
  return WAYS[axis][value * normal[axis] > 0 ? 0 : 1];
}

// What a measured value is against its limits: the words, and the verdict by the rule of the reports.
export function against(value, lower, upper, guard) {
  const margin = Math.min(upper - value, value - lower);
  if (margin < 0) {
    const sure = -margin > guard;
    return {
      text: `outside by ${length(-margin)}${sure ? "" : ", which is less than the scan is sure to"}`,
      verdict: sure ? "does not conform" : "inconclusive",
    };
  }
  if (margin < guard) {
    return { text: `in the guard band, ${length(margin)} from the limit`, verdict: "inconclusive" };
  }
  return { text: `inside by ${length(margin)}`, verdict: "conforms" };
}

export function found(value, normal) {
  if (Number.isNaN(value)) return "not measured";
  const size = length(Math.abs(value));
  return Number(Math.abs(value).toFixed(2)) === 0 ? "on nominal" : `${size} ${direction(value, normal)}`;
}

export const place = (at) => `x${NBSP}${number(at[0])}, y${NBSP}${number(at[1])}, z${NBSP}${mm(at[2])}`;
