// Planned digs drawn on the sheet; exposures, control checks and sweeps entered from paper.

import { Trouble } from "../api";
import { h } from "../dom";
import type { Sheet } from "../map/sheet";
import { drawTool } from "../map/tools";
import type { State } from "../state";
import { many } from "../units";
import { type Form, formOf, metresOf } from "./form";

type Place = [number, number];
const FARTHEST = 5000; // from what the job has, a typed place is a slip [m]
const round = (v: number): number => Math.round(v * 1e4) / 1e4;

function coordinateWords(state: State, places: Place[]): string {
  return places.map(([e, n]) => `${state.units.coordinate(e)}, ${state.units.coordinate(n)}`).join("; ");
}

/** Places as typed: easting, northing; easting, northing ... in the grid's unit. */
function placesOf(state: State, form: Form, name: string, least: number): Place[] {
  const places = form.value(name).split(/[;\n]+/).filter((one) => one.trim()).map((one) => {
    const [e, n] = one.trim().split(/[\s,]+/).map((text) => Number(text.replace("\u2212", "-")) * state.units.grid.metres);
    if (e === undefined || n === undefined || !Number.isFinite(e) || !Number.isFinite(n)) {
      throw new Trouble(`'${one.trim()}' is no place.`, "Write easting, northing; one place after the other with semicolons.", name, 0);
    }
    const [west, south, east, north] = state.view.extent;
    const away = Math.hypot(Math.max(west - e, 0, e - east), Math.max(south - n, 0, n - north));
    if (away > FARTHEST) {
      throw new Trouble(
        `'${one.trim()}' lies ${Math.round(away / 1000)} km from the job.`,
        `Eastings and northings are read in ${many(state.units.grid)} now; check digits, order and unit.`,
        name, 0,
      );
    }
    return [round(e), round(n)] as Place;
  });
  if (places.length < least) throw new Trouble(`At least ${least} places are needed.`, "Draw them on the sheet, or type them.", name, 0);
  return places;
}

const UTILITIES: [string, string][] = ["unknown", "electric", "gas", "communication", "water", "reclaimed", "sewer"].map((word) => [word, word === "unknown" ? "not said" : word]);

export function digForms(state: State, sheet: Sheet, changed: () => void): HTMLElement {
  const make = (kind: "trench" | "bore" | "pit" | "post"): HTMLElement => {
    const wide = kind === "trench" ? "width" : "diameter";
    const least = kind === "post" ? 1 : kind === "pit" ? 3 : 2;
    const form = formOf(
      [
        { name: "name", label: "Name" },
        { name: "points", label: kind === "pit" ? "Corners" : kind === "post" ? "Place" : "Axis", hint: "Easting, northing; drawn on the sheet or typed.", kind: "area", unit: "grid" },
        ...(kind === "pit" ? [] : [{ name: wide, label: kind === "bore" ? "Final diameter" : wide === "width" ? "Width" : "Diameter", kind: "number" as const, unit: "length" as const }]),
        { name: "depth", label: kind === "bore" ? "Depth of its centre below ground" : "Depth below ground", kind: "number", unit: "length" },
        { name: "installs", label: "What will be laid", kind: "select", options: UTILITIES },
      ],
      `Enter this ${kind}`,
      async (f) => {
        const places = placesOf(state, f, "points", least);
        const parse = (text: string): number => state.units.parse(text);
        const positive = (name: string): number => {
          const metres = round(metresOf(f, name, parse));
          if (metres <= 0) throw new Trouble("This must be above zero.", "", name, 0);
          return metres;
        };
        const table: Record<string, unknown> = { name: f.value("name"), depth: positive("depth") };
        if (f.value("installs") !== "unknown") table["installs"] = f.value("installs");
        if (kind === "trench") Object.assign(table, { points: places, width: positive("width") });
        if (kind === "bore") Object.assign(table, { points: places, final_diameter: positive("diameter") });
        if (kind === "pit") table["corners"] = places;
        if (kind === "post") Object.assign(table, { easting: places[0]![0], northing: places[0]![1], diameter: positive("diameter") });
        await state.api.post("digs", { kind, table });
        sheet.setTool(null);
        changed();
        return "Entered. Its clearances follow with the processing.";
      },
      h("button", {
        type: "button", class: "quiet",
        click: () => {
          const width = (): number => {
            const metres = state.units.parse(form.value(wide));
            return Number.isFinite(metres) ? metres : 0;
          };
          sheet.setTool(drawTool(sheet, state, kind, width, (places) => form.put("points", coordinateWords(state, places))));
          sheet.map.getTargetElement()?.focus();
        },
      }, `Draw the ${kind} on the sheet`),
    );
    return h("details", { class: "inner", id: `work-${kind}` }, h("summary", {}, kind[0]!.toUpperCase() + kind.slice(1)), form.element);
  };
  return h("div", {}, (["trench", "bore", "pit", "post"] as const).map(make));
}

export function exposureForm(state: State, sheet: Sheet, changed: () => void): HTMLElement {
  const form = formOf(
    [
      { name: "name", label: "Name of the exposure" },
      { name: "line", label: "Line that was seen" },
      { name: "place", label: "Place of its top's centre", hint: "Easting, northing", unit: "grid" },
      { name: "top_depth", label: "Ground to top", kind: "number", unit: "length" },
      { name: "outside_diameter", label: "Outside diameter", kind: "number", unit: "length", optional: true },
      { name: "when", label: "Day", kind: "date", optional: true },
      { name: "who", label: "Who measured", optional: true },
      { name: "method", label: "How", optional: true, hint: "Such as vacuum, by hand, open trench" },
    ],
    "Enter this exposure",
    async (f) => {
      const [place] = placesOf(state, f, "place", 1);
      const parse = (text: string): number => state.units.parse(text);
      const line = f.value("line");
      if (!state.view.lines.some((one) => one.name === line)) throw new Trouble(`The job has no line '${line}'.`, "The table of lines lists them.", "line", 0);
      const table: Record<string, unknown> = {
        name: f.value("name"), line, easting: place![0], northing: place![1], top_depth: round(metresOf(f, "top_depth", parse)),
      };
      const diameter = metresOf(f, "outside_diameter", parse, true);
      if (Number.isFinite(diameter)) table["outside_diameter"] = round(diameter);
      for (const key of ["when", "who", "method"]) if (f.value(key)) table[key] = f.value(key);
      await state.api.post("digs", { kind: "exposure", table });
      sheet.setTool(null);
      changed();
      return "Entered. What it says of the line follows with the processing.";
    },
    h("button", {
      type: "button", class: "quiet",
      click: () => sheet.setTool(drawTool(sheet, state, "place", () => 0, (places) => form.put("place", coordinateWords(state, places)))),
    }, "Point at it on the sheet"),
  );
  return form.element;
}

export function controlForm(state: State, changed: () => void): HTMLElement {
  const form = formOf(
    [
      { name: "control", label: "Control point" },
      { name: "place", label: "Measured place", hint: "Easting, northing on the ground", unit: "grid" },
      { name: "height", label: "Measured height", kind: "number", unit: "length", optional: true },
      { name: "receiver", label: "Receiver's serial" },
      { name: "time", label: "When (UTC)", hint: "2026-11-18 14:05" },
    ],
    "Enter this check",
    async (f) => {
      const [place] = placesOf(state, f, "place", 1);
      const height = metresOf(f, "height", (text) => state.units.parse(text), true);
      const when = new Date(`${f.value("time").replace(" ", "T")}Z`);
      if (Number.isNaN(when.getTime())) throw new Trouble(`'${f.value("time")}' is no time.`, "Write it like 2026-11-18 14:05, in UTC.", "time", 0);
      const row: Record<string, unknown> = {
        control: f.value("control"), easting_m: place![0], northing_m: place![1], time: when.toISOString(), fix: 4, note: "typed on the desk",
      };
      if (Number.isFinite(height)) row["height_m"] = round(height);
      await state.api.post("shots", { receiver: f.value("receiver"), position_of: "ground", rows: [row] });
      changed();
      return "Entered. How far it is off follows with the processing: press Process.";
    },
  );
  return form.element;
}

export function sweepForm(state: State, sheet: Sheet, changed: () => void): HTMLElement {
  const form = formOf(
    [
      { name: "sweep", label: "Name of the sweep" },
      { name: "start", label: "Tape's zero", hint: "Easting, northing", unit: "grid" },
      { name: "end", label: "Tape's far end", hint: "Easting, northing", unit: "grid" },
      { name: "length", label: "Tape reading at the far end", kind: "number", unit: "length" },
      { name: "utility", label: "Utility", kind: "select", options: UTILITIES },
      { name: "coil_height", label: "Coil above ground", kind: "number", unit: "length" },
      { name: "unit", label: "Readings in", kind: "select", options: [["percent", "% of full scale"], ["dB", "dB"], ["mA", "mA"], ["nT", "nT"]] },
      { name: "time", label: "When (UTC)", hint: "2026-11-18 14:05" },
      { name: "readings", label: "Readings", kind: "area", hint: "One a line: tape, reading; add 'v' for the vertical coil. Nine to fifteen are enough." },
    ],
    "Enter this sweep",
    async (f) => {
      const [start] = placesOf(state, f, "start", 1);
      const [end] = placesOf(state, f, "end", 1);
      const parse = (text: string): number => state.units.parse(text);
      const length = round(metresOf(f, "length", parse));
      const height = round(metresOf(f, "coil_height", parse));
      const when = new Date(`${f.value("time").replace(" ", "T")}Z`);
      if (Number.isNaN(when.getTime())) throw new Trouble(`'${f.value("time")}' is no time.`, "Write it like 2026-11-18 14:05, in UTC.", "time", 0);
      const readings = f.value("readings").split(/\n+/).filter((one) => one.trim()).map((one) => {
        const [tape, reading, coil] = one.trim().split(/[\s,;]+/);
        const at = parse(tape ?? "");
        if (!Number.isFinite(at) || reading === undefined || !Number.isFinite(Number(reading))) {
          throw new Trouble(`'${one.trim()}' is no reading.`, "Write tape and reading, such as 1.20 45", "readings", 0);
        }
        return {
          position_m: round(at), reading: Number(reading), coil_height_m: height,
          coil: coil?.toLowerCase().startsWith("v") ? "vertical" : "horizontal",
        };
      });
      if (readings.length < 5) throw new Trouble("At least five readings are needed.", "Nine to fifteen settle most sweeps.", "readings", 0);
      const place = ([easting_m, northing_m]: Place): Record<string, number> => ({ easting_m, northing_m });
      await state.api.post("sweeps", {
        name: f.value("sweep"), start: place(start!), end: place(end!), length_m: length, readings, unit: f.value("unit"),
        time: when.toISOString(), utility: f.value("utility") === "unknown" ? "" : f.value("utility"), heights: "none",
      });
      sheet.setTool(null);
      changed();
      return "Entered as an upload of its own. What explains it follows with the processing.";
    },
    h("p", {}, (["start", "end"] as const).map((which) => [
      h("button", {
        type: "button", class: "quiet",
        click: () => sheet.setTool(drawTool(sheet, state, "place", () => 0, (places) => form.put(which, coordinateWords(state, places)))),
      }, which === "start" ? "Point at the tape's zero" : "Point at its far end"), " "])),
  );
  return form.element;
}
