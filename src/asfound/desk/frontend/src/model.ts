// What the server tells of a processed job, as records and columns.

import type { Unit } from "./units";

export type Verdict = "sound" | "doubtful" | "unfit";
export const VERDICTS: readonly Verdict[] = ["sound", "doubtful", "unfit"];

export interface UtilityCard {
  word: string;
  hue: string;
  rgb: [number, number, number];
  covers: string;
}

export interface ViewLine {
  name: string;
  utility: number;
  verdict: Verdict;
  length_m: number | null;
  outside_diameter_m: number | null;
  shots: number;
  doubtful: number;
  unfit: number;
  across_95_m: number | null;
  across_95_most_m: number | null;
  vertical_95_m: number | null;
  findings: number;
  axis: number[];
  envelope: number[][];
}

export interface Crossing {
  upper: string;
  lower: string;
  upper_index: number;
  lower_index: number;
  upper_station_m: number | null;
  lower_station_m: number | null;
  upper_height_m: number | null;
  lower_height_m: number | null;
  easting_m: number;
  northing_m: number;
  separation_m: number | null;
  separation_95_m: number | null;
  surface_separation_m: number | null;
  angle_deg: number | null;
  order_certainty: number | null;
}

export interface ViewSweep {
  name: string;
  line: string;
  line_index: number;
  start: [number | null, number | null];
  end: [number | null, number | null];
  usable: boolean;
  explained: boolean;
  conductors: [number | null, number | null, number | null][];
  depth_m: number | null;
}

export interface Approach {
  line: string;
  line_index: number;
  utility: string;
  source: string;
  crosses: boolean;
  clearance_m: number | null;
  clearance_5_m: number | null;
  clearance_95_m: number | null;
  horizontal_m: number | null;
  vertical_m: number | null;
  line_below: boolean;
  line_point: (number | null)[];
  p_contact: number | null;
  p_breach: number | null;
  rule: string;
  rules: {
    title: string;
    citation: string;
    from_memory: boolean;
    shortfall_m: number | null;
    p_breach: number | null;
  }[];
  words: string[];
}

export interface DigClearance {
  name: string;
  kind: string;
  installs: string;
  searched_share: number | null;
  words: string[];
  approaches: Approach[];
  cautions: string[];
}

export interface ViewDig {
  name: string;
  kind: string;
  footprint: number[][];
  zone: number[][];
  zone_m: number;
  bounds: [number, number, number, number];
  clearance: DigClearance;
}

export interface ViewExposure {
  name: string;
  line: string;
  easting_m: number;
  northing_m: number;
  top_depth_m: number | null;
  em_depth_error_m: number | null;
  when: string | null;
  who: string;
  contradicted: boolean;
  words: string;
}

export interface Advice {
  places: { line: string; easting_m: number; northing_m: number; expected_reduction: number }[];
  words: string[];
}

export interface ReportedRow {
  file: string;
  row: number;
  line: number;
  reason: string;
  remedy: string;
  accepted: boolean;
}

export interface View {
  schema: string;
  version: string;
  job: {
    name: string;
    client: string;
    place: string;
    crew: string;
    notice: string;
    purpose: string;
    day: string | null;
    invented: boolean;
  };
  frame: {
    crs: string;
    name: string;
    code: string;
    epoch: string;
    vertical_reference: string;
    proj: string;
  };
  units: { length: Unit; grid: Unit };
  origin: [number, number];
  scale: number;
  extent: [number, number, number, number];
  utilities: UtilityCard[];
  counts: {
    shots: number;
    sound: number;
    doubtful: number;
    unfit: number;
    findings: { note: number; doubt: number; fail: number };
    rows_reported: number;
  };
  lines: ViewLine[];
  crossings: Crossing[];
  sweeps: ViewSweep[];
  digs: ViewDig[];
  exposures: ViewExposure[];
  expose: Advice;
  records: { name: string; utility: number; basis: string; axis: number[] }[];
  control: { name: string; easting_m: number; northing_m: number; height_m: number | null }[];
  work_area: number[] | null;
  rows: ReportedRow[];
  cautions: string[];
  uncertainty: string;
  positions: string;
  verdicts: string;
}

export interface Finding {
  rule: string;
  title: string;
  severity: "note" | "doubt" | "fail";
  about: "shot" | "line" | "source" | "job";
  subject: string;
  index: number;
  detail: string;
  checks: string;
  threshold: string;
  basis: string;
  remedy: string;
}

export interface BudgetTerm {
  name: string;
  title: string;
  basis: string;
  horizontal_sd_m: number;
  vertical_sd_m: number | null;
  horizontal_share: number;
  vertical_share: number | null;
  shared: boolean;
}

export interface ShotDetail {
  shot: string;
  key: [string, number];
  verdict: Verdict;
  utility: string;
  line: string;
  control: string;
  file: string;
  file_line: number;
  note: string;
  name_in_upload: string;
  easting_m: number | null;
  northing_m: number | null;
  longitude: number | null;
  latitude: number | null;
  ground_height_m: number | null;
  vertical_reference: string;
  operation: string;
  depth_m: number | null;
  depth_read_m: number | null;
  depth_from: string;
  moved_left_m: number | null;
  centre_height_m: number | null;
  horizontal_95_m: number | null;
  vertical_95_m: number | null;
  hookup: string;
  receiver: string;
  method: string;
  fix: string;
  time: string | null;
  current_a: number | null;
  frequency_hz: number | null;
  signal_db: number | null;
  peak_null_separation_m: number | null;
  antenna_height_m: number | null;
  tilt_deg: number | null;
  satellites: number | null;
  pdop: number | null;
  correction_age_s: number | null;
  base_distance_m: number | null;
  budget: BudgetTerm[];
  findings: Finding[];
  decisions: Decision[];
  control_check: {
    point: string;
    known: boolean;
    east_m?: number | null;
    north_m?: number | null;
    up_m?: number | null;
  } | null;
  raw: { column: string; cell: string }[];
}

export interface Decision {
  id: string;
  kind: string;
  value: string;
  who: string;
  when: string;
  why: string;
  done: boolean;
  outcome: string;
}

type Numbers = (number | null)[];

export interface LineDetail {
  line: string;
  index: number;
  utility: string;
  verdict: Verdict;
  length_m: number | null;
  outside_diameter_m: number | null;
  axis: {
    station_m: Numbers;
    easting_m: Numbers;
    northing_m: Numbers;
    height_m: Numbers;
    ground_height_m: Numbers;
    across_95_m: Numbers;
    vertical_95_m: Numbers;
  };
  shots: {
    index: number[];
    shot: string[];
    station_m: Numbers;
    ground_height_m: Numbers;
    centre_height_m: Numbers;
    vertical_95_m: Numbers;
    verdict: Verdict[];
    used: boolean[];
    current_a: Numbers;
  };
  gaps_m: Numbers[];
  bends: { station_m: number; deflection_deg: number }[];
  crossings: Crossing[];
  current: {
    station_m: Numbers;
    fitted_a: Numbers;
    piece: number[];
    decay_length_m: number | null;
    events: { station_m: number | null; ratio: number | null; kind: string }[];
  } | null;
  findings: Finding[];
}

export interface SweepDetail {
  sweep: string;
  line: string;
  utility: string;
  unit: string;
  time: string | null;
  usable: boolean;
  explained: boolean;
  reason: string;
  words: string[];
  length_m: number | null;
  target: number;
  shown_peak_m: number | null;
  shown_null_m: number | null;
  shown_depth_m: number | null;
  curve_position_m: Numbers;
  series: {
    coil: string;
    coil_height_m: number;
    position_m: Numbers;
    value: Numbers;
    left_out: boolean[];
    curve: Numbers;
  }[];
  conductors: {
    position_m: number;
    depth_m: number;
    position_95_m: number | null;
    depth_95_m: number | null;
    current_a: number;
  }[];
  corrected: {
    shot: string;
    index: number;
    moved_left_m: number;
    depth_before_m: number | null;
    depth_m: number | null;
    reason: string;
  }[];
}

/** All shots, one typed array a column; places in `scale` metres from the view's origin. */
export interface Shots {
  count: number;
  easting: Int32Array;
  northing: Int32Array;
  major: Uint32Array;
  minor: Uint32Array;
  bearing: Int16Array;
  line_bearing: Int16Array;
  horizontal_95: Uint32Array;
  vertical_95: Uint32Array;
  depth: Int32Array;
  station: Int32Array;
  line: Int32Array;
  rank: Int32Array;
  row: Int32Array;
  time: Uint32Array;
  hookup: Int32Array;
  receiver: Int32Array;
  control: Int32Array;
  name: Int32Array;
  note: Int32Array;
  upload: Uint16Array;
  verdict: Uint8Array;
  utility: Uint8Array;
  fix: Int8Array;
  doubts: Uint8Array;
  flags: Uint8Array;
  uploads: { tag: string; file: string; sha256: string }[];
  hookups: string[];
  receivers: string[];
  controls: string[];
  names: string[];
  notes: string[];
}

export const MISSING_PLACE = -(2 ** 31);
export const MISSING_LENGTH = 2 ** 32 - 1;
export const SWEPT = 1;
export const LEFT_OUT = 2;
export const DECIDED = 4;

const ARRAYS = {
  int8: Int8Array,
  uint8: Uint8Array,
  int16: Int16Array,
  uint16: Uint16Array,
  int32: Int32Array,
  uint32: Uint32Array,
} as const;

interface Header {
  count: number;
  columns: { name: string; type: keyof typeof ARRAYS; offset: number }[];
}

/** Typed arrays over the bytes that `asfound.desk.view.shots_bytes` wrote. */
export function readShots(buffer: ArrayBuffer): Shots {
  const mark = new TextDecoder().decode(new Uint8Array(buffer, 0, 4));
  if (mark !== "ASFS") throw new Error("shots.bin is not what this page reads; process again.");
  const length = new DataView(buffer).getUint32(4, true);
  const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 8, length))) as Header;
  const columns: Record<string, unknown> = { ...header };
  for (const { name, type, offset } of header.columns) {
    columns[name] = new ARRAYS[type](buffer, 8 + length + offset, header.count);
  }
  delete columns["columns"];
  return columns as unknown as Shots;
}

export function shotName(shots: Shots, index: number): string {
  return `${shots.uploads[shots.upload[index]!]!.tag}-${shots.row[index]}`;
}

/** Name to index, for links from findings and forms. */
export function shotIndex(shots: Shots, name: string): number {
  const cut = name.lastIndexOf("-");
  const tag = name.slice(0, cut).toUpperCase();
  const upload = shots.uploads.findIndex((one) => one.tag === tag);
  const row = Number(name.slice(cut + 1));
  for (let k = 0; k < shots.count; k++) {
    if (shots.row[k] === row && shots.upload[k] === upload) return k;
  }
  return -1;
}

/** Metres from the origin, from deltas of tenths of a millimetre: x0, y0, x1, y1, ... */
export function decode(deltas: number[], scale: number): Float64Array {
  const places = new Float64Array(deltas.length);
  let east = 0;
  let north = 0;
  for (let k = 0; k < deltas.length; k += 2) {
    east += deltas[k]!;
    north += deltas[k + 1]!;
    places[k] = east * scale;
    places[k + 1] = north * scale;
  }
  return places;
}
