// Stakeout points, and two days compared.

import { Trouble } from "../api";
import { fill, h } from "../dom";
import { link } from "../panels/lists";
import type { Sheet } from "../map/sheet";
import type { State } from "../state";
import { formOf } from "./form";

interface Comparison {
  words?: string[];
  pairs?: { a?: string; b?: string; line?: string; east_m?: number | null; north_m?: number | null; up_m?: number | null; across_m?: number | null; depth_m?: number | null; agrees?: boolean; words?: string }[];
  [key: string]: unknown;
}

export function compareForm(state: State, sheet: Sheet): HTMLElement {
  const days = (): [string, string][] => {
    const found = new Set<string>();
    const { time, count } = state.shots;
    for (let k = 0; k < count; k++) if (time[k]) found.add(new Date(time[k]! * 1000).toISOString().slice(0, 10));
    return [...found].sort().map((day) => [day, day]);
  };
  const result = h("div", { class: "comparison" });
  const holder = h("div", {});
  const draw = (): void => {
    const all = days();
    const form = formOf(
      [
        { name: "a", label: "Day", kind: "select", options: all, ...(all[0] ? { value: all[0][0] } : {}) },
        { name: "b", label: "Against day", kind: "select", options: all, ...(all.at(-1) ? { value: all.at(-1)![0] } : {}) },
      ],
      "Compare",
      async (f) => {
        if (f.value("a") === f.value("b")) throw new Trouble("These are the same day.", "Choose two days.", "b", 0);
        const found = await state.api.get<Comparison>(`compare?a=${encodeURIComponent(f.value("a"))}&b=${encodeURIComponent(f.value("b"))}`);
        show(found);
        return "";
      },
    );
    fill(holder, all.length < 2 ? h("p", {}, "All shots are of one day.") : form.element);
  };
  const show = (found: Comparison): void => {
    const { units } = state;
    fill(result,
      (found.words ?? []).map((words) => h("p", {}, units.sentence(words))),
      found.pairs?.length ? h("table", {},
        h("thead", {}, h("tr", {}, ["First", "Second", "Line"].map((t) => h("th", { scope: "col" }, t)),
          [`Across ${units.length.symbol}`, `Height ${units.length.symbol}`].map((t) => h("th", { scope: "col", class: "number" }, t)), h("th", { scope: "col" }, ""))),
        h("tbody", {}, found.pairs.map((pair) => h("tr", {},
          [pair.a, pair.b].map((name) => h("td", {}, name ? link(state, sheet, { kind: "shot", index: state.find("shot", name) }, name) : "")),
          h("td", {}, pair.line ?? ""),
          h("td", { class: "number" }, units.number(pair.across_m ?? null)),
          h("td", { class: "number" }, units.number(pair.up_m ?? pair.depth_m ?? null)),
          h("td", {}, pair.agrees === undefined ? (pair.words ?? "") : pair.agrees ? "agrees" : "differs"))))) : null);
  };
  state.on("loaded", draw);
  draw();
  return h("div", {}, holder, result);
}

export function stakeoutForm(state: State, changed: () => void): HTMLElement {
  return formOf(
    [
      { name: "name", label: "Name of the list" },
      { name: "what", label: "Points", kind: "select", options: [["shots", "the chosen shots"], ["line", "points along the chosen line"], ["crossings", "all crossings"], ["control", "all control points"]] },
      { name: "every", label: "Along the line every", kind: "number", optional: true, hint: "In the unit of lengths; only for points along a line." },
    ],
    "Keep this list",
    async (f) => {
      const what = f.value("what");
      const table: Record<string, unknown> = { what };
      if (what === "shots") {
        if (!state.range.size) throw new Trouble("No shots are chosen.", "Choose shots first.", "what", 0);
        const { shots } = state;
        table["shots"] = [...state.range].map((k) => [shots.uploads[shots.upload[k]!]!.sha256, shots.row[k]]);
      }
      if (what === "line") {
        const line = state.lineOf(state.chosen);
        if (line < 0) throw new Trouble("No line is chosen.", "Choose a line on the sheet first.", "what", 0);
        table["line"] = state.view.lines[line]!.name;
        const every = state.units.parse(f.value("every"));
        if (f.value("every") && !(every > 0)) throw new Trouble(`'${f.value("every")}' is no distance.`, "Use digits and one decimal point.", "every", 0);
        if (Number.isFinite(every)) table["every"] = every;
      }
      await state.api.post("stakeouts", { name: f.value("name"), table });
      changed();
      return "Kept. The field page and the exports offer it.";
    },
  ).element;
}
