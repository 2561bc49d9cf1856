// Which shots lie in a rectangle: shots sorted by square cells, so that a frame looks at few.

import { MISSING_PLACE } from "./model";

export class PlaceIndex {
  private readonly cell: number;
  private readonly west: number;
  private readonly south: number;
  private readonly columns: number;
  private readonly rows: number;
  private readonly starts: Uint32Array;
  private readonly order: Uint32Array;

  /** Places as the shots' columns have them (tenths of a millimetre). */
  constructor(
    private readonly easting: Int32Array,
    private readonly northing: Int32Array,
  ) {
    const count = easting.length;
    // Cells are sized by where most shots are, so that one stray cannot make them useless.
    const [west, east] = middle(easting);
    const [south, north] = middle(northing);
    const width = Math.max(east - west, 1);
    const height = Math.max(north - south, 1);
    this.cell = Math.max(Math.sqrt((width * height * 12) / Math.max(count, 1)), width / 1024, height / 1024, 1);
    this.west = west;
    this.south = south;
    this.columns = Math.floor(width / this.cell) + 1;
    this.rows = Math.floor(height / this.cell) + 1;
    const cells = new Uint32Array(count);
    const starts = new Uint32Array(this.columns * this.rows + 2);
    const nowhere = this.columns * this.rows;
    for (let k = 0; k < count; k++) {
      const at = easting[k] === MISSING_PLACE || northing[k] === MISSING_PLACE
        ? nowhere
        : this.row(northing[k]!) * this.columns + this.column(easting[k]!);
      cells[k] = at;
      starts[at + 1]!++;
    }
    for (let k = 1; k < starts.length; k++) starts[k]! += starts[k - 1]!;
    const next = starts.slice();
    this.order = new Uint32Array(count);
    for (let k = 0; k < count; k++) this.order[next[cells[k]!]!++] = k;
    this.starts = starts;
  }

  private column(easting: number): number {
    const at = Math.floor((easting - this.west) / this.cell);
    return at < 0 ? 0 : at >= this.columns ? this.columns - 1 : at;
  }

  private row(northing: number): number {
    const at = Math.floor((northing - this.south) / this.cell);
    return at < 0 ? 0 : at >= this.rows ? this.rows - 1 : at;
  }

  /** Calls `each` with every shot inside, borders included. */
  within(
    west: number,
    south: number,
    east: number,
    north: number,
    each: (shot: number) => void,
  ): void {
    const [first, last] = [this.column(west), this.column(east)];
    for (let row = this.row(south); row <= this.row(north); row++) {
      const from = this.starts[row * this.columns + first]!;
      const to = this.starts[row * this.columns + last + 1]!;
      for (let k = from; k < to; k++) {
        const shot = this.order[k]!;
        const x = this.easting[shot]!;
        const y = this.northing[shot]!;
        if (x >= west && x <= east && y >= south && y <= north) each(shot);
      }
    }
  }
}

/** The range that holds all but the outermost hundredth at each side. */
function middle(values: Int32Array): [number, number] {
  const known = values.filter((value) => value !== MISSING_PLACE).sort();
  if (!known.length) return [0, 1];
  const cut = Math.floor(known.length / 100);
  return [known[cut]!, known[known.length - 1 - cut]!];
}
