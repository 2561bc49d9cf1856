// The profile of the chosen line under the sheet: ground, envelope, crossings, current along it.

import { fetchJson } from "../api";
import { fill, h, s } from "../dom";
import type { Sheet } from "../map/sheet";
import type { Crossing, LineDetail } from "../model";
import type { State } from "../state";
import { decimalsOf, roundStep } from "../units";

const LEFT = 52;
const RIGHT = 12;
const TOP = 16;
const STATIONS = 20;
const CURRENT = 46;

type Numbers = (number | null)[];

export class Profile {
  private line = -1;
  private detail: LineDetail | null = null;
  private seenOnly = false;
  private cursor: SVGElement | null = null;
  private x: (station: number) => number = () => 0;
  private station: (pixel: number) => number = () => 0;
  private span: [number, number] = [0, 1];

  constructor(
    private readonly state: State,
    private readonly sheet: Sheet,
    private readonly panel: HTMLElement,
  ) {
    state.on("chosen", () => void this.follow());
    state.on("loaded", () => {
      this.line = -1;
      void this.follow();
    });
    state.on("units", () => this.draw());
    sheet.map.on("moveend", () => {
      if (this.seenOnly) this.draw();
    });
    new ResizeObserver(() => this.draw()).observe(panel);
  }

  private async follow(): Promise<void> {
    const line = this.state.lineOf(this.state.chosen);
    if (line < 0) {
      this.line = -1;
      this.detail = null;
      this.panel.hidden = true;
      return;
    }
    if (line !== this.line) {
      this.line = line;
      const detail = await fetchJson<LineDetail>(`${this.state.viewBase}profiles/${line}.json`);
      if (this.line !== line) return;
      this.detail = detail;
    }
    this.panel.hidden = false;
    this.draw();
  }

  private draw(): void {
    const { detail, panel, state } = this;
    if (!detail || panel.hidden) return;
    const width = Math.max(320, panel.clientWidth - 2);
    const withCurrent = detail.current !== null;
    const height = Math.max(150, Math.min(panel.clientHeight - 34, 250));
    const floor = height - STATIONS - (withCurrent ? CURRENT : 0);
    const { units } = state;
    const axis = detail.axis;
    this.span = this.range(detail);
    const [first, last] = this.span;
    const per = (width - LEFT - RIGHT - 12) / Math.max(last - first, 0.05);
    this.x = (v) => LEFT + 6 + (v - first) * per;
    this.station = (pixel) => first + (pixel - LEFT - 6) / per;
    const within = (v: number | null): v is number => v !== null && v >= first - 1e-6 && v <= last + 1e-6;
    const levels: number[] = [];
    axis.station_m.forEach((v, k) => {
      if (!within(v)) return;
      for (const level of [axis.ground_height_m[k], sum(axis.height_m[k], axis.vertical_95_m[k], 1), sum(axis.height_m[k], axis.vertical_95_m[k], -1)]) {
        if (level !== null && level !== undefined) levels.push(level);
      }
    });
    const shotsIn = detail.shots.index.map((_, k) => k).filter((k) => within(detail.shots.station_m[k]!));
    const svg = s("svg", { viewBox: `0 0 ${width} ${height}`, width, height, class: "drawing profile-drawing", role: "img", "aria-label": this.words(detail) });
    const put = (tag: string, attributes: Parameters<typeof s>[1], ...children: Parameters<typeof s>[2][]): SVGElement => {
      const element = s(tag, attributes, ...children);
      svg.append(element);
      return element;
    };
    const low = levels.length ? Math.min(...levels) : -1;
    const high = levels.length ? Math.max(...levels) : 0;
    const pad = Math.max(0.15, (high - low) * 0.1);
    const [base, peak] = [low - pad, high + pad];
    const y = (level: number): number => TOP + ((peak - level) / (peak - base)) * (floor - TOP);
    const unit = units.length.metres;
    const rung = roundStep(((peak - base) / 4) / unit);
    for (let k = Math.ceil(base / unit / rung); k * rung * unit <= peak; k++) {
      const py = y(k * rung * unit);
      put("path", { d: `M${LEFT} ${py}H${width - RIGHT}`, class: "pale" });
      put("text", { x: LEFT - 5, y: py + 3.5, class: "figure", "text-anchor": "end" }, (k * rung).toFixed(decimalsOf(rung)));
    }
    put("text", { x: LEFT, y: 10, class: "figure" }, `height, ${units.length.symbol}; heights drawn ${(((floor - TOP) / (peak - base)) / per).toFixed(per > 20 ? 1 : 0)} times as large as stations`);
    const colour = `utility-${state.view.lines[this.line]!.utility}`;
    for (const [a, b] of detail.gaps_m) {
      if (a === null || b === null || a === undefined || b === undefined || b < first || a > last) continue;
      put("rect", { x: this.x(Math.max(a, first)), y: TOP, width: Math.max(1, this.x(Math.min(b, last)) - this.x(Math.max(a, first))), height: floor - TOP, class: "gap" },
        s("title", {}, "not supported by shots"));
    }
    const upper = axis.height_m.map((v, k) => sum(v, axis.vertical_95_m[k], 1));
    const lower = axis.height_m.map((v, k) => sum(v, axis.vertical_95_m[k], -1));
    const there = this.trace(axis.station_m, upper, y);
    const back = this.trace(axis.station_m, lower, y).reverse();
    if (there.length > 1) put("path", { d: `M${[...there, ...back].join("L")}Z`, class: `band ${colour}` });
    const run = this.trace(axis.station_m, axis.height_m, y);
    if (run.length > 1) put("path", { d: `M${run.join("L")}`, class: `axis-line ${colour}` });
    if (detail.outside_diameter_m) {
      const crown = this.trace(axis.station_m, axis.height_m.map((v) => (v === null ? null : v + detail.outside_diameter_m! / 2)), y);
      if (crown.length > 1) put("path", { d: `M${crown.join("L")}`, class: `crown ${colour}` });
    }
    const ground = this.trace(axis.station_m, axis.ground_height_m, y);
    if (ground.length > 1) put("path", { d: `M${ground.join("L")}`, class: "ground" });
    for (const one of detail.crossings) this.crossing(put, one, detail.index, y, floor);
    const every = Math.max(1, Math.ceil(shotsIn.length / ((width - LEFT) / 5)));
    for (const k of shotsIn) {
      const verdict = detail.shots.verdict[k]!;
      if (every > 1 && verdict === "sound" && k % every) continue;
      const level = detail.shots.centre_height_m[k];
      const px = this.x(detail.shots.station_m[k]!);
      const index = detail.shots.index[k]!;
      const chosen = state.chosen?.kind === "shot" && state.chosen.index === index;
      if (level === null || level === undefined || y(level) > floor || y(level) < TOP) continue;
      const py = y(level);
      const half = ((detail.shots.vertical_95_m[k] ?? 0) * (floor - TOP)) / (peak - base);
      put("path", { d: `M${px} ${Math.max(TOP, py - half)}V${Math.min(floor, py + half)}`, class: `bar ${colour}`, "stroke-dasharray": verdict === "doubtful" ? "3 2" : verdict === "unfit" ? "1 3" : null });
      if (verdict === "doubtful") put("rect", { x: px - 2, y: py - 5, width: 4, height: 10, class: `open-tick ${colour}` });
      else put("path", { d: `M${px} ${py - 5}v10`, class: `tick ${colour}` });
      if (verdict === "unfit") put("path", { d: `M${px - 5} ${py + 3}l10 -6`, class: "strike" });
      if (chosen) put("rect", { x: px - 8, y: py - 10, width: 16, height: 20, class: "chosen" });
    }
    this.stations(put, floor, width);
    if (detail.current) this.currents(put, detail, detail.current, floor + STATIONS, height, shotsIn, width);
    this.cursor = put("path", { class: "cursor", d: "" });
    svg.addEventListener("pointermove", (event) => this.over(event as PointerEvent, svg, floor));
    svg.addEventListener("pointerleave", () => {
      this.cursor?.setAttribute("d", "");
      state.point(null);
    });
    svg.addEventListener("click", (event) => this.pick(event as MouseEvent, svg));
    fill(panel, h("header", { class: "profile-head" },
      h("h2", {}, `Profile of ${detail.line}`),
      h("label", { class: "check" }, h("input", {
        type: "checkbox", checked: this.seenOnly,
        change: (event: Event) => {
          this.seenOnly = (event.target as HTMLInputElement).checked;
          this.draw();
        },
      }), "only what the sheet shows")), svg as unknown as Node);
  }

  /** Stations that are drawn: the whole line, or what lies on the sheet now. */
  private range(detail: LineDetail): [number, number] {
    const stations = detail.axis.station_m.filter((v): v is number => v !== null);
    const whole: [number, number] = [stations[0] ?? 0, stations.at(-1) ?? 1];
    if (!this.seenOnly) return whole;
    const [w, south, e, n] = this.sheet.seen();
    const [originX, originY] = this.state.view.origin;
    const seen = detail.axis.station_m.filter((v, k): v is number => {
      const x = (detail.axis.easting_m[k] ?? NaN) - originX;
      const y = (detail.axis.northing_m[k] ?? NaN) - originY;
      return v !== null && x >= w && x <= e && y >= south && y <= n;
    });
    return seen.length > 1 ? [Math.min(...seen), Math.max(...seen)] : whole;
  }

  private trace(stations: Numbers, levels: Numbers, y: (level: number) => number): string[] {
    const [first, last] = this.span;
    const points: string[] = [];
    stations.forEach((station, k) => {
      const level = levels[k];
      if (station === null || level === null || level === undefined || station < first - 1e-6 || station > last + 1e-6) return;
      points.push(`${this.x(station).toFixed(1)} ${y(level).toFixed(1)}`);
    });
    return points;
  }

  private crossing(put: (tag: string, a: Parameters<typeof s>[1], ...c: Parameters<typeof s>[2][]) => SVGElement, one: Crossing, line: number, y: (level: number) => number, floor: number): void {
    const mine = one.upper_index === line;
    const station = mine ? one.upper_station_m : one.lower_station_m;
    const other = mine ? one.lower_index : one.upper_index;
    const level = mine ? one.lower_height_m : one.upper_height_m;
    if (station === null || station < this.span[0] || station > this.span[1]) return;
    const px = this.x(station);
    put("path", { d: `M${px} ${TOP}V${floor}`, class: "dotted" });
    const card = this.state.view.lines[other]!;
    if (level !== null && y(level) > TOP && y(level) < floor) {
      put("circle", { cx: px, cy: y(level), r: 4.5, class: `cross utility-${card.utility}` },
        s("title", {}, `${card.name} crosses ${mine ? "below" : "above"}`));
    }
    put("text", { x: px + 6, y: level !== null && y(level) > TOP && y(level) < floor ? y(level) - 6 : floor - 4, class: "figure haloed" }, card.name);
  }

  private stations(put: (tag: string, a: Parameters<typeof s>[1], ...c: Parameters<typeof s>[2][]) => SVGElement, floor: number, width: number): void {
    const unit = this.state.units.length.metres;
    const [first, last] = this.span;
    const step = roundStep(((last - first) / ((width - LEFT) / 90)) / unit);
    put("path", { d: `M${LEFT} ${floor}H${width - RIGHT}`, class: "axis" });
    for (let k = Math.ceil(first / unit / step); k * step * unit <= last; k++) {
      const px = this.x(k * step * unit);
      put("path", { d: `M${px} ${floor}v5`, class: "axis" });
      put("text", { x: px, y: floor + 15, class: "figure", "text-anchor": "middle" }, (k * step).toFixed(decimalsOf(step)));
    }
    put("text", { x: LEFT - 5, y: floor + 15, class: "figure", "text-anchor": "end" }, "station");
  }

  private currents(put: (tag: string, a: Parameters<typeof s>[1], ...c: Parameters<typeof s>[2][]) => SVGElement, detail: LineDetail, current: NonNullable<LineDetail["current"]>, top: number, height: number, shotsIn: number[], width: number): void {
    const values = shotsIn.map((k) => detail.shots.current_a[k]).filter((v): v is number => v !== null && v !== undefined && v > 0);
    if (!values.length) return;
    const most = Math.max(...values);
    const y = (amps: number): number => height - 4 - (amps / most) * (height - top - 10);
    put("text", { x: LEFT - 5, y: y(most) + 3.5, class: "figure", "text-anchor": "end" }, `${(most * 1000).toFixed(most < 0.01 ? 1 : 0)} mA`);
    put("path", { d: `M${LEFT} ${y(0)}H${width - RIGHT}`, class: "pale" });
    for (const k of shotsIn) {
      const value = detail.shots.current_a[k];
      if (value === null || value === undefined) continue;
      put("circle", { cx: this.x(detail.shots.station_m[k]!), cy: y(value), r: 1.7, class: "reading" });
    }
    let piece = -2;
    let path = "";
    current.station_m.forEach((station, k) => {
      const value = current.fitted_a[k];
      if (station === null || value === null || value === undefined || station < this.span[0] || station > this.span[1]) return;
      path += `${current.piece[k] === piece ? "L" : "M"}${this.x(station).toFixed(1)} ${y(value).toFixed(1)}`;
      piece = current.piece[k]!;
    });
    if (path) put("path", { d: path, class: "fit" });
    for (const event of current.events) {
      if (event.station_m === null || event.station_m < this.span[0] || event.station_m > this.span[1]) continue;
      put("path", { d: `M${this.x(event.station_m)} ${top}V${height - 4}`, class: "dotted" });
      put("text", { x: this.x(event.station_m) + 3, y: top + 9, class: "figure haloed" }, event.kind);
    }
  }

  private over(event: PointerEvent, svg: Element, floor: number): void {
    const box = svg.getBoundingClientRect();
    const station = this.station(event.clientX - box.left);
    if (station < this.span[0] || station > this.span[1] || !this.detail) return;
    this.cursor?.setAttribute("d", `M${this.x(station)} ${TOP}V${floor}`);
    const { axis } = this.detail;
    const k = axis.station_m.findIndex((v) => v !== null && v >= station);
    if (k < 0) return;
    const [originX, originY] = this.state.view.origin;
    const before = Math.max(0, k - 1);
    const [a, b] = [axis.station_m[before]!, axis.station_m[k]!];
    const t = b > a ? (station - a) / (b - a) : 0;
    const mix = (values: Numbers): number => (values[before] ?? 0) + t * ((values[k] ?? 0) - (values[before] ?? 0));
    this.state.point([mix(axis.easting_m) - originX, mix(axis.northing_m) - originY]);
  }

  private pick(event: MouseEvent, svg: Element): void {
    if (!this.detail) return;
    const box = svg.getBoundingClientRect();
    const station = this.station(event.clientX - box.left);
    let best = -1;
    let least = Infinity;
    this.detail.shots.station_m.forEach((v, k) => {
      if (v !== null && Math.abs(v - station) < least) [best, least] = [k, Math.abs(v - station)];
    });
    if (best >= 0) {
      const chosen = { kind: "shot", index: this.detail.shots.index[best]! } as const;
      this.state.choose(chosen);
      this.sheet.show(chosen);
    }
  }

  private words(detail: LineDetail): string {
    const { units } = this.state;
    const depths = detail.axis.ground_height_m.map((v, k) => (v !== null && detail.axis.height_m[k] != null ? v - detail.axis.height_m[k]! : null)).filter((v): v is number => v !== null);
    const range = depths.length ? `centre ${units.say(Math.min(...depths))} to ${units.say(Math.max(...depths))} below ground` : "no depths";
    return `Profile of line ${detail.line}: ${units.say(detail.length_m, 1)} long, ${range}, ${detail.crossings.length} crossings. Arrow keys on the sheet go along its shots.`;
  }
}

function sum(a: number | null | undefined, b: number | null | undefined, sign: number): number | null {
  return a === null || a === undefined || b === null || b === undefined ? null : a + sign * b;
}
