// What the page knows and what is chosen; map, tables and profile listen to the same record.

import type { Api } from "./api";
import { PlaceIndex } from "./grid";
import { LEFT_OUT, shotIndex, shotName, type Shots, type View } from "./model";
import { METRE, Units } from "./units";

export type Kind = "shot" | "line" | "sweep" | "dig" | "crossing" | "exposure";
export interface Chosen {
  kind: Kind;
  index: number;
}
export interface Filter {
  text: string;
  line: number; // -2: all, -1: on no line
  verdicts: [boolean, boolean, boolean];
}
export interface Events {
  chosen: Chosen | null;
  filter: Filter;
  units: Units;
  loaded: View;
  range: ReadonlySet<number>;
  pointer: [number, number] | null; // a place pointed at elsewhere, metres from the origin
}
type Listener<T> = (value: T) => void;

export class State {
  view!: View;
  shots!: Shots;
  places!: PlaceIndex;
  units!: Units;
  chosen: Chosen | null = null;
  filter: Filter = { text: "", line: -2, verdicts: [true, true, true] };
  /** 1 for shots that pass the filter. */
  shown!: Uint8Array;
  /** Shots that the next decision is about. */
  readonly range = new Set<number>();
  /** Shots of each line in order. */
  members: Uint32Array[] = [];
  private readonly listeners = new Map<keyof Events, Listener<never>[]>();

  constructor(
    readonly api: Api,
    readonly viewBase: string,
    readonly may: { work: boolean; judge: boolean },
    public metric: boolean,
  ) {}

  on<K extends keyof Events>(event: K, listener: Listener<Events[K]>): void {
    const all = this.listeners.get(event) ?? [];
    all.push(listener as Listener<never>);
    this.listeners.set(event, all);
  }

  private tell<K extends keyof Events>(event: K, value: Events[K]): void {
    for (const listener of this.listeners.get(event) ?? []) (listener as Listener<Events[K]>)(value);
  }

  /** Take in freshly processed results; what was chosen stays chosen if it is still there. */
  load(view: View, shots: Shots): void {
    const kept = this.chosen ? this.nameOf(this.chosen) : "";
    const kind = this.chosen?.kind;
    const range = [...this.range].map((k) => shotName(this.shots, k));
    this.view = view;
    this.shots = shots;
    this.places = new PlaceIndex(shots.easting, shots.northing);
    this.members = membersOf(shots, view.lines.length);
    this.units = this.unitsNow();
    this.range.clear();
    for (const name of range) {
      const index = shotIndex(shots, name);
      if (index >= 0) this.range.add(index);
    }
    const index = kind ? this.find(kind, kept) : -1;
    this.chosen = kind && index >= 0 ? { kind, index } : null;
    this.sieve();
    this.tell("loaded", view);
    this.tell("chosen", this.chosen);
  }

  private unitsNow(): Units {
    const { length, grid } = this.view.units;
    return new Units(this.metric ? METRE : length, this.metric ? METRE : grid);
  }

  setMetric(metric: boolean): void {
    this.metric = metric;
    this.units = this.unitsNow();
    this.tell("units", this.units);
  }

  choose(chosen: Chosen | null): void {
    if (chosen && chosen.index < 0) return;
    if (this.chosen?.kind === chosen?.kind && this.chosen?.index === chosen?.index) return;
    this.chosen = chosen;
    this.tell("chosen", chosen);
  }

  point(place: [number, number] | null): void {
    this.tell("pointer", place);
  }

  setFilter(part: Partial<Filter>): void {
    this.filter = { ...this.filter, ...part };
    this.sieve();
    this.tell("filter", this.filter);
  }

  setRange(shots: Iterable<number>): void {
    this.range.clear();
    for (const shot of shots) this.range.add(shot);
    this.tell("range", this.range);
  }

  nameOf({ kind, index }: Chosen): string {
    if (kind === "shot") return shotName(this.shots, index);
    if (kind === "line") return this.view.lines[index]?.name ?? "";
    if (kind === "sweep") return this.view.sweeps[index]?.name ?? "";
    if (kind === "dig") return this.view.digs[index]?.name ?? "";
    if (kind === "exposure") return this.view.exposures[index]?.name ?? "";
    const crossing = this.view.crossings[index];
    return crossing ? `${crossing.upper} over ${crossing.lower}` : "";
  }

  find(kind: Kind, name: string): number {
    if (kind === "shot") return shotIndex(this.shots, name);
    const lists = {
      line: this.view.lines.map((one) => one.name),
      sweep: this.view.sweeps.map((one) => one.name),
      dig: this.view.digs.map((one) => one.name),
      exposure: this.view.exposures.map((one) => one.name),
      crossing: this.view.crossings.map((_, k) => this.nameOf({ kind: "crossing", index: k })),
    };
    return lists[kind].indexOf(name);
  }

  /** The line that what is chosen belongs to, -1 for none. */
  lineOf(chosen: Chosen | null): number {
    if (!chosen) return -1;
    if (chosen.kind === "line") return chosen.index;
    if (chosen.kind === "shot") return this.shots.line[chosen.index] ?? -1;
    if (chosen.kind === "sweep") return this.view.sweeps[chosen.index]?.line_index ?? -1;
    if (chosen.kind === "crossing") return this.view.crossings[chosen.index]?.upper_index ?? -1;
    return -1;
  }

  /** The shot `step` places further along the same line, or in the order of the table. */
  neighbour(shot: number, step: number): number {
    const line = this.shots.line[shot]!;
    if (line < 0) {
      for (let k = shot + step; k >= 0 && k < this.shots.count; k += step) if (this.shown[k]) return k;
      return shot;
    }
    const members = this.members[line]!;
    const at = members.indexOf(shot);
    return members[Math.min(Math.max(at + step, 0), members.length - 1)] ?? shot;
  }

  leftOut(shot: number): boolean {
    return (this.shots.flags[shot]! & LEFT_OUT) !== 0;
  }

  private sieve(): void {
    const { shots, filter } = this;
    const shown = new Uint8Array(shots.count);
    const text = filter.text.trim().toLowerCase();
    const holds = text ? wordTest(this, text) : null;
    for (let k = 0; k < shots.count; k++) {
      if (!filter.verdicts[shots.verdict[k]!]) continue;
      if (filter.line !== -2 && shots.line[k] !== filter.line) continue;
      if (holds && !holds(k)) continue;
      shown[k] = 1;
    }
    this.shown = shown;
  }
}

/** Whether a shot's names hold a text: words are tested once each, then looked up by code. */
function wordTest(state: State, text: string): (shot: number) => boolean {
  const { shots, view } = state;
  const hits = (words: string[]): Uint8Array =>
    Uint8Array.from(words, (word) => (word.toLowerCase().includes(text) ? 1 : 0));
  const pairs: [Int32Array, Uint8Array][] = [
    [shots.name, hits(shots.names)],
    [shots.hookup, hits(shots.hookups)],
    [shots.receiver, hits(shots.receivers)],
    [shots.control, hits(shots.controls)],
    [shots.note, hits(shots.notes)],
    [shots.line, hits(view.lines.map((line) => line.name))],
  ];
  const utilities = hits(view.utilities.map((one) => one.word));
  return (k) =>
    utilities[shots.utility[k]!] === 1 ||
    pairs.some(([codes, hit]) => codes[k]! >= 0 && hit[codes[k]!] === 1) ||
    shotName(shots, k).toLowerCase().startsWith(text);
}

function membersOf(shots: Shots, lines: number): Uint32Array[] {
  const counts = new Uint32Array(lines);
  for (let k = 0; k < shots.count; k++) if (shots.line[k]! >= 0) counts[shots.line[k]!]!++;
  const members = [...counts].map((count) => new Uint32Array(count));
  const next = new Uint32Array(lines);
  for (let k = 0; k < shots.count; k++) {
    const line = shots.line[k]!;
    if (line >= 0) members[line]![next[line]!++] = k;
  }
  for (const one of members) one.sort((a, b) => shots.rank[a]! - shots.rank[b]!);
  return members;
}
