// The column beside the picture: the chosen block with its numbers, and all blocks with areas and shares.
import { areaOf, escaped, lengthOf, plain, shareOf, withUncertainty } from "./words.js";

export function listAll(place, drawing, numbers, look, chosen, acts) {
  const groups = new Map();
  drawing.features.forEach((feature, index) => {
    const { kind, proposed } = feature.properties;
    const group = proposed ? "proposed" : kind;
    groups.set(group, [...(groups.get(group) ?? []), { feature, index }]);
  });
  const order = [...look.kinds.keys(), "proposed"].filter((kind) => groups.has(kind));
  const die = numbers?.die;
  const head = die
    ? `<p class="die">Die ${areaOf(die.area_um2, die.area_um2_u)}<br><small>${lengthOf(die.width_um, die.width_um_u)} by ${lengthOf(die.height_um, die.height_um_u)}</small></p>`
    : `<p class="die"><small>No die outline yet: draw it, and blocks get their shares.</small></p>`;
  place.innerHTML =
    head +
    order.map((kind) => group(kind, groups.get(kind), numbers, look, chosen)).join("") +
    (numbers?.unassigned_um2 != null ? `<p class="rest">Not assigned ${areaOf(numbers.unassigned_um2, numbers.unassigned_um2_u)}</p>` : "") +
    (numbers?.warnings ?? []).map((text) => `<p class="warning">${escaped(text)}</p>`).join("");
  place.querySelectorAll("[data-index]").forEach((node) => node.addEventListener("click", () => acts.choose(Number(node.dataset.index))));
  // The page's policy allows no style in markup.
  place.querySelectorAll("[data-colour]").forEach((node) => node.style.setProperty("--colour", node.dataset.colour));
  place.querySelectorAll("[data-hide]").forEach((node) => node.addEventListener("change", () => acts.hide(node.dataset.hide, !node.checked)));
}

function group(kind, members, numbers, look, chosen) {
  const style = look.of(kind);
  const total = numbers?.summary?.find((line) => line.kind === kind);
  const label = kind === "proposed" ? "Proposed, not counted" : style.label;
  const rows = members
    .map(({ feature, index }) => {
      const block = numbers?.blocks?.[index];
      const value = block?.trace ? lengthOf(block.trace.length_um, block.trace.length_um_u) : block?.area_um2 ? areaOf(block.area_um2, block.area_um2_u) : "";
      const current = index === chosen ? ' aria-current="true"' : "";
      return `<li><button type="button" data-index="${index}"${current}><span>${escaped(feature.properties.name)}</span><span>${value}</span></button></li>`;
    })
    .join("");
  const sum = total ? `<span>${shareOf(total.share_of_die, total.share_of_die_u)}</span>` : "";
  const swatch = kind === "proposed" ? "" : `<i data-colour="${style.colour}"></i>`;
  return `<section><h2><label><input type="checkbox" data-hide="${kind}"${look.hidden.has(kind) ? "" : " checked"}>${swatch}${label}</label>${sum}</h2><ul>${rows}</ul></section>`;
}

export function showOne(place, feature, block, details, look, umPerPx) {
  place.hidden = !feature;
  if (!feature) return;
  const { properties, geometry } = feature;
  const area = geometry.type.endsWith("Polygon");
  const kinds = [...look.kinds.values()].map(({ kind, label }) => `<option value="${kind}"${kind === properties.kind ? " selected" : ""}>${label}</option>`);
  const readable = ["memory_array", "rf_inductor", "conductor"].includes(properties.kind) && umPerPx;
  const width = geometry.type === "LineString" ? `<label>Width <input id="one-width" type="number" min="0" step="any" value="${properties.width_um ?? ""}"> µm</label>` : "";
  place.innerHTML = `
    <h2 id="one-title">${escaped(properties.name)}</h2>
    <p class="row"><label>Name <input id="one-name" value="${escaped(properties.name).replaceAll('"', "&quot;")}"></label></p>
    <p class="row"><label>Kind <select id="one-kind">${kinds.join("")}</select></label> ${width}</p>
    <p class="row"><label>Notes <input id="one-notes" value="${escaped(String(properties.notes ?? "")).replaceAll('"', "&quot;")}"></label></p>
    ${knownOf(feature)}
    <table><tbody id="one-numbers">${numbersOf(block)}</tbody></table>
    ${details ? detailsOf(details) : ""}
    <p class="row buttons">
      ${properties.proposed ? '<button type="button" data-do="accept">Accept</button>' : ""}
      ${readable ? '<button type="button" data-do="read">Read from the picture</button>' : ""}
      <button type="button" data-do="copy">Copy</button>
      ${area && !properties.proposed ? '<button type="button" data-do="snap">Find its edges</button>' : ""}
      ${area ? '<button type="button" data-do="join">Join with…</button>' : ""}
      <button type="button" data-do="show">Show</button>
      <button type="button" data-do="remove">Remove</button>
    </p>`;
}

// What a person knows of a thing on a board: see `dieplat guide boards`. Numbers in micrometres, two with a comma.
const KNOWN = {
  LineString: { length_um: "its length", every_um: "from point to point" },
  Polygon: { sides_um: "its sides, a and b" },
  Point: { at_um: "its place, x and y" },
};

function knownOf({ properties, geometry }) {
  const ways = Object.entries(KNOWN[geometry.type] ?? {});
  if (!ways.length || !["trace", "other"].includes(properties.kind)) return "";
  const more = { known_u_um: "how well, ±1 deviation", above_um: "height above the traces" };
  const field = ([key, label]) => `<p class="row"><label>${label} <input data-known="${key}" value="${escaped(String(properties[key] ?? ""))}"> µm</label></p>`;
  const open = ways.some(([key]) => properties[key] !== undefined);
  return `<details${open ? " open" : ""}><summary>Known on a board</summary>${[...ways, ...Object.entries(more)].map(field).join("")}</details>`;
}

// A number, several as a list, undefined where there is none.
export function numbersIn(text) {
  const found = text.split(/[,;\s]+/).filter(Boolean).map(Number);
  if (!found.length || found.some((value) => !Number.isFinite(value))) return undefined;
  return found.length === 1 ? found[0] : found;
}

export function numbersOf(block) {
  if (!block) return "";
  const rows = [];
  if (block.area_um2 != null) {
    rows.push(["Area", areaOf(block.area_um2, block.area_um2_u)]);
    if (block.share_of_die != null) rows.push(["Share of the die", shareOf(block.share_of_die, block.share_of_die_u)]);
    rows.push(["Perimeter", lengthOf(block.perimeter_um, block.perimeter_um_u)]);
  }
  if (block.trace) rows.push(["Length", lengthOf(block.trace.length_um, block.trace.length_um_u)]);
  return rows.map(([name, value]) => `<tr><th scope="row">${name}</th><td>${value}</td></tr>`).join("");
}

function detailsOf({ block, warnings, waiting }) {
  if (waiting) return `<p class="waiting" role="status">Reading the picture…</p>`;
  const rows = [];
  const inductor = block?.inductor;
  if (inductor) {
    rows.push(["Inductance", withUncertainty(inductor.inductance_nh, inductor.inductance_nh_u, "nH")]);
    rows.push(["Turns", `${plain(inductor.turns)}, ${inductor.shape}${inductor.symmetric ? ", symmetric" : ""}`]);
    rows.push(["Across", `${withUncertainty(inductor.outer_um, inductor.outer_um_u, "µm")}, inside ${withUncertainty(inductor.inner_um, inductor.inner_um_u, "µm")}`]);
    rows.push(["Width, gap", `${withUncertainty(inductor.width_um, inductor.width_um_u, "µm")}, ${withUncertainty(inductor.spacing_um, inductor.spacing_um_u, "µm")}`]);
  }
  const array = block?.array;
  if (array) {
    rows.push(["Cell", `${withUncertainty(array.pitch_x_um, array.pitch_x_um_u, "µm")} by ${withUncertainty(array.pitch_y_um, array.pitch_y_um_u, "µm")}`]);
    if (array.cells != null) rows.push(["Cells", `${array.columns} × ${array.rows} = ${array.cells.toLocaleString("en")} in ${array.banks} bank${array.banks === 1 ? "" : "s"}`]);
  }
  const table = rows.map(([name, value]) => `<tr><th scope="row">${name}</th><td>${value}</td></tr>`).join("");
  const notes = (warnings ?? []).filter((text) => !text.includes("no die outline"));
  return `<table class="read"><tbody>${table}</tbody></table>${notes.map((text) => `<p class="warning">${escaped(text)}</p>`).join("")}`;
}
