// Stakeout lists, and two days compared.

import { Trouble } from "../api";
import { fill, h } from "../dom";
import { link } from "../panels/lists";
import type { Sheet } from "../map/sheet";
import { shotName } from "../model";
import type { State } from "../state";
import { formOf } from "./form";

interface Pair {
  a: string;
  b: string;
  line: string;
  across_m: number | null;
  up_m: number | null;
  agrees: boolean;
}
interface Comparison {
  words: string[];
  pairs: Pair[];
}

export function compareForm(state: State, sheet: Sheet): HTMLElement {
  const days = (): string[] => {
    const found = new Set<string>();
    const { time, count } = state.shots;
    for (let k = 0; k < count; k++) if (time[k]) found.add(new Date(time[k]! * 1000).toISOString().slice(0, 10));
    return [...found].sort();
  };
  const result = h("div", { class: "comparison" });
  const holder = h("div", {});
  const draw = (): void => {
    const all = days();
    fill(result);
    if (all.length < 2) {
      fill(holder, h("p", {}, "All shots are of one day; there is nothing to compare."));
      return;
    }
    const options = all.map((day): [string, string] => [day, day]);
    fill(holder, formOf(
      [
        { name: "a", label: "Day", kind: "select", options, value: all[0]! },
        { name: "b", label: "Against day", kind: "select", options, value: all.at(-1)! },
      ],
      "Compare",
      async (f) => {
        if (f.value("a") === f.value("b")) throw new Trouble("These are the same day.", "Choose two days (UTC).", "b", 0);
        show(await state.api.get<Comparison>(`compare?a=${f.value("a")}&b=${f.value("b")}`));
        return "";
      },
    ).element);
  };
  const show = ({ words, pairs }: Comparison): void => {
    const { units } = state;
    fill(result,
      words.map((one) => h("p", {}, units.sentence(one))),
      pairs.length ? h("table", {},
        h("caption", {}, "Spots measured on both days; second less first, left of the line and upward above zero."),
        h("thead", {}, h("tr", {}, ["First", "Second", "Line"].map((t) => h("th", { scope: "col" }, t)),
          [`Across ${units.length.symbol}`, `Height ${units.length.symbol}`].map((t) => h("th", { scope: "col", class: "number" }, t)), h("th", { scope: "col" }, "Both"))),
        h("tbody", {}, pairs.map((pair) => h("tr", {},
          [pair.a, pair.b].map((name) => h("td", {}, link(state, sheet, { kind: "shot", index: state.find("shot", name) }, name))),
          h("td", {}, pair.line),
          h("td", { class: "number" }, units.number(pair.across_m)),
          h("td", { class: "number" }, units.number(pair.up_m)),
          h("td", {}, pair.agrees ? "agree" : "differ"))))) : null);
  };
  state.on("loaded", draw);
  state.on("units", draw);
  draw();
  return h("div", {}, holder, result);
}

export function stakeoutForm(state: State, changed: () => void): HTMLElement {
  return formOf(
    [
      { name: "name", label: "Name of the list" },
      { name: "what", label: "Points", kind: "select", options: [["shots", "the chosen shots"], ["line", "points along the chosen line, its bends and ends"], ["crossings", "all crossings"], ["exposures", "all exposures"], ["control", "all control points"], ["digs", "corners of all digs"]] },
      { name: "every", label: "Along the line every", kind: "number", unit: "length", optional: true, hint: "Only for points along a line." },
      { name: "service", label: "Frame of the correction service on that day", value: state.view.frame.crs, hint: "Such as ITRF2020 or NAD83(2011): what the service's operator states." },
      { name: "day", label: "Day of the stakeout", kind: "date" },
    ],
    "Keep this list",
    async (f) => {
      const what = f.value("what");
      const table: Record<string, unknown> = { service: f.value("service"), day: f.value("day") };
      if (what === "shots") {
        if (!state.range.size) throw new Trouble("No shots are chosen.", "Choose shots first.", "what", 0);
        table["shots"] = [...state.range].map((k) => shotName(state.shots, k));
      } else if (what === "line") {
        const line = state.lineOf(state.chosen);
        if (line < 0) throw new Trouble("No line is chosen.", "Choose a line on the sheet first.", "what", 0);
        const every = state.units.parse(f.value("every"));
        if (f.value("every") && !(every > 0)) throw new Trouble(`'${f.value("every")}' is no distance.`, "Use digits and one decimal point.", "every", 0);
        const choice: Record<string, unknown> = { line: state.view.lines[line]!.name };
        if (Number.isFinite(every)) choice["every"] = `${Math.round(every * 1e4) / 1e4} m`;
        Object.assign(table, { line: [choice], bends: true, ends: true });
      } else if (what === "digs") {
        table["digs"] = ["*"];
      } else {
        table[what] = true;
      }
      await state.api.post("stakeouts", { name: f.value("name"), table });
      changed();
      return "Kept: the lists are written when the job is processed.";
    },
  ).element;
}
