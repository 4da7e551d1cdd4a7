// Numbers as people read them: the uncertainty is expanded (k = 2) and rounded to two digits, the value with it.
export function withUncertainty(value, u, unit) {
  if (value === null || value === undefined) return "–";
  if (!u) return `${plain(value)} ${unit}`;
  const wide = 2 * u;
  const digits = Math.max(0, 1 - Math.floor(Math.log10(wide)));
  return `${grouped(value, digits)} ± ${grouped(wide, digits)} ${unit}`;
}

export function areaOf(um2, u) {
  return um2 >= 1e6 ? withUncertainty(um2 / 1e6, u / 1e6, "mm²") : withUncertainty(um2, u, "µm²");
}

export function lengthOf(um, u) {
  return um >= 1e4 ? withUncertainty(um / 1e3, (u ?? 0) / 1e3, "mm") : withUncertainty(um, u, "µm");
}

export function shareOf(share, u) {
  return share === null || share === undefined ? "–" : withUncertainty(100 * share, u ? 100 * u : 0, "%");
}

export function plain(value) {
  return Number(value.toPrecision(4)).toLocaleString("en");
}

function grouped(value, digits) {
  const most = Math.min(digits, 12);
  return value.toLocaleString("en", { minimumFractionDigits: most, maximumFractionDigits: most });
}

// The largest of 1, 2, 5 times a power of ten that is not above `most`.
export function roundLength(most) {
  const power = 10 ** Math.floor(Math.log10(most));
  return ([5, 2, 1].find((step) => step * power <= most) ?? 1) * power;
}

export function escaped(text) {
  const node = document.createElement("span");
  node.textContent = text;
  return node.innerHTML;
}
