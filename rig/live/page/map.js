// The map as a real table (or, for listed points, a list laid out as the plane is): numbers in cells.
const ODD = {skipped: "skipped", missing: "no value", failed: "failed", implausible: "not plausible", suspect: "suspect"};

export function number(value) {
  return value >= 100 ? value.toFixed(0) : value >= 10 ? value.toFixed(1) : value.toFixed(2);
}

function paint(cell, map, at, top, palette) {
  const value = map.values[at], odd = map.odd[at];
  cell.classList.toggle("last", map.last === at);
  cell.classList.toggle("next", map.next === at);
  cell.classList.toggle("odd", odd !== undefined);
  let text = "", colour = "", ink = "";
  if (value !== null && value !== undefined) {
    const share = Math.min(Math.max(value / top, 0), 1);
    [colour, ink] = palette[Math.min(palette.length - 1, Math.floor(share * palette.length))];
    text = number(value);
  } else if (odd) text = "–";
  cell.style.background = colour;
  cell.style.color = ink;
  cell.title = odd ? (ODD[odd] || odd) : "";
  return text;
}

function table(grid) {
  const found = document.createElement("table");
  found.className = "plane";
  found.style.setProperty("--columns", grid.columns);
  const caption = found.createCaption();
  caption.textContent = "Row 1 is nearest to y = 0, at the bottom.";
  const head = found.createTHead().insertRow();
  head.append(document.createElement("td"));
  for (let column = 0; column < grid.columns; column++) head.append(header("col", column));
  const body = found.createTBody(), cells = new Map();
  grid.row.forEach((row, at) => cells.set(row * grid.columns + grid.column[at], at));
  const places = [];
  for (let row = grid.rows - 1; row >= 0; row--) {
    const line = body.insertRow();
    line.append(header("row", row));
    for (let column = 0; column < grid.columns; column++) {
      const cell = line.insertCell(), at = cells.get(row * grid.columns + column);
      if (at === undefined) { cell.className = "none"; continue; }
      cell.append(document.createElement("span"));
      places[at] = cell;
    }
  }
  return [found, places];
}

function header(scope, at) {
  const found = document.createElement("th"), word = document.createElement("span");
  found.scope = scope;
  word.className = "sr";
  word.textContent = scope === "col" ? "column " : "row ";
  found.append(word, String(at + 1));
  return found;
}

function list(grid) {
  const found = document.createElement("ol");
  found.className = "listed";
  found.style.aspectRatio = `${grid.width_mm} / ${grid.depth_mm}`;
  const places = grid.x_mm.map((x, at) => {
    const item = document.createElement("li"), where = document.createElement("span");
    where.className = "sr";
    where.textContent = `x ${x} mm, y ${grid.y_mm[at]} mm: `;
    item.style.left = `${(100 * x) / grid.width_mm}%`;
    item.style.bottom = `${(100 * grid.y_mm[at]) / grid.depth_mm}%`;
    item.append(where, document.createElement("span"));
    found.append(item);
    return item;
  });
  return [found, places];
}

export class Plane {
  constructor(place) {
    this.place = place;
    this.grid = null;
  }

  clear() {
    this.grid = null;
    this.place.innerHTML = '<p class="empty">No point is read yet.</p>';
  }

  show(grid, map, top, palette) {
    if (this.grid !== grid) {
      this.grid = grid;
      const [drawn, places] = grid.is_listed ? list(grid) : table(grid);
      this.places = places;
      this.scale = document.createElement("p");
      this.scale.className = "scale";
      this.scale.innerHTML = "<span>0</span><i></i><span></span>";
      const steps = Array.from({length: 17}, (_, at) => palette[Math.round((at / 16) * (palette.length - 1))][0]);
      this.scale.querySelector("i").style.background = `linear-gradient(to right, ${steps.join(", ")})`;
      this.place.replaceChildren(drawn, this.scale);
    }
    this.places.forEach((cell, at) => {
      const text = paint(cell, map, at, top, palette), shown = cell.lastElementChild;
      if (shown.textContent !== text) shown.textContent = text;
    });
    this.scale.lastElementChild.textContent = `${top} µmol m⁻² s⁻¹`;
  }
}
