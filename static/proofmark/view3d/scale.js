// Colours of deviation and where their bands begin (metrology/pictures/palette.py): the same on every theme.

import { number } from "./words.js";

export const BANDS = ["lo4", "lo3", "lo2", "lo1", "mid", "hi1", "hi2", "hi3", "hi4"];
export const COLOURS = ["#43206f", "#7a58ab", "#a78fd0", "#d5c9e8", "#f6f5f2", "#f2cc9c", "#dd9646", "#a85c14", "#642d02"];
export const NOT_MEASURED = "#e3e6e9", STIPPLE = "#6a727a", GRAPHITE = "#1d2227";

// The eight edges of the nine bands, mm, and the decimals of the figures beside them.
export function scale(lower, upper, guard) {
  let low = lower + guard, high = upper - guard;
  if (low >= high) low = high = (lower + upper) / 2;
  const zero = low < 0 && high > 0 ? 0 : (low + high) / 2;
  const below = [2 / 3, 1 / 3].map((third) => zero + (low - zero) * third);
  const above = [1 / 3, 2 / 3].map((third) => zero + (high - zero) * third);
  const edges = [lower, low, ...below, ...above, high, upper];
  return { edges, decimals: decimals(edges, lower, upper, guard) };
}

function decimals(edges, lower, upper, guard) {
  const places = (value) => (String(value).split(".")[1] ?? "").length;
  const rounded = [lower, upper, guard].map((value, k) => Number(value.toFixed(k < 2 ? 3 : 2)));
  const least = Math.max(1, ...rounded.map(places));
  const distinct = new Set(edges).size;
  for (let enough = least; enough < 4; enough += 1) {
    if (new Set(edges.map((edge) => number(edge, enough, true))).size === distinct) return enough;
  }
  return 3;
}

// Bands with a width: without a guard band there are seven.
export function present(edges) {
  return [0, 1, 2, 3, 4, 5, 6, 7, 8].filter((k) => k === 0 || k === 8 || edges[k] > edges[k - 1]);
}

// Limits held in or let out about their middle; 1 is the limits on file.
export function stretched(lower, upper, factor) {
  const middle = (lower + upper) / 2, half = ((upper - lower) / 2) * factor;
  return [middle - half, middle + half];
}
