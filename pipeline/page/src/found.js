// What the server read from the picture, drawn over it so that a person can judge it.
import Feature from "ol/Feature.js";
import { MultiLineString } from "ol/geom.js";
import { Stroke, Style } from "ol/style.js";

const DARK = "#0b0e13";
const LIGHT = "#f5f7fa";
// Fine lines first, so that the frames and the centre line lie over them.
const STROKES = {
  cells: { width: 0.6 },
  edges: { width: 1 },
  frames: { width: 2 },
  centre: { width: 1.6, lineDash: [6, 4] },
};

export function showFound(source, lines) {
  source.clear();
  for (const [role, stroke] of Object.entries(STROKES)) {
    if (!lines?.[role]?.length) continue;
    const turned = lines[role].map((line) => line.map(([x, y]) => [x, -y]));
    const feature = new Feature({ geometry: new MultiLineString(turned) });
    feature.setStyle([new Style({ stroke: new Stroke({ color: DARK, width: stroke.width + 2 }) }), new Style({ stroke: new Stroke({ color: LIGHT, ...stroke }) })]);
    source.addFeature(feature);
  }
}
