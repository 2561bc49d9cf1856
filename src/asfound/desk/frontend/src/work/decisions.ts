// Decisions about shots and lines: each with a reason, beside the raw record and never in its place.

import { type Child, fill, h } from "../dom";
import type { Sheet } from "../map/sheet";
import { boxTool } from "../map/tools";
import { shotIndex, shotName } from "../model";
import type { State } from "../state";
import { Trouble } from "../api";
import { formOf, metresOf } from "./form";

const KINDS: [string, string][] = [
  ["accept", "accept: take as sound, whatever the rules say"],
  ["reject", "reject: take as unfit, whatever the rules say"],
  ["set-utility", "set the utility"],
  ["set-hook-up", "set the hook-up"],
  ["set-antenna-height", "set the antenna height"],
];

type Key = [string, number];

function keyOf(state: State, shot: number): Key {
  const { shots } = state;
  return [shots.uploads[shots.upload[shot]!]!.sha256, shots.row[shot]!];
}

export interface Decider {
  element: HTMLElement;
  start(shot: number, kind: string): void;
  line(kind: "rename" | "split" | "join", index: number): void;
}

export function decider(state: State, sheet: Sheet, open: () => void, decided: () => void): Decider {
  const about = h("p", { class: "about-range", role: "status" });
  const value = (kind: string): Child =>
    kind === "set-utility" ? "utility" : kind === "set-hook-up" ? "hook-up" : "antenna height";
  const shots = formOf(
    [
      { name: "kind", label: "What", kind: "select", options: KINDS.filter(([kind]) => state.may.judge || kind.startsWith("set-")) },
      { name: "value", label: "To what", optional: true, hint: "Utility word, hook-up name, or antenna height in the unit of lengths; empty for accept and reject." },
      { name: "why", label: "Why", hint: "Stays in the ledger with your name." },
    ],
    "Enter in the ledger",
    async (form) => {
      if (!state.range.size) throw new Trouble("No shots are chosen.", "Choose one, drag a box, or give a range.", "", 0);
      const kind = form.value("kind");
      let to = form.value("value");
      if (kind.startsWith("set-") && !to) throw new Trouble(`Say to what ${String(value(kind))} is to be set.`, "", "value", 0);
      if (kind === "set-antenna-height") to = String(metresOf(form, "value", (text) => state.units.parse(text)));
      if (!kind.startsWith("set-")) to = "";
      await state.api.post("decisions", { kind, shots: [...state.range].map((shot) => keyOf(state, shot)), value: to, why: form.value("why") });
      decided();
      return "Entered. What it changes follows with the processing.";
    },
  );
  const range = formOf(
    [
      { name: "from", label: "From shot", hint: "Such as A-12" },
      { name: "to", label: "To shot" },
    ],
    "Choose this range",
    async (form) => {
      const [a, b] = ["from", "to"].map((name) => {
        const index = shotIndex(state.shots, form.value(name));
        if (index < 0) throw new Trouble(`The job has no shot '${form.value(name)}'.`, "Shots are named by upload and row, such as A-17.", name, 0);
        return index;
      }) as [number, number];
      const { shots: all } = state;
      const found: number[] = [];
      if (all.line[a]! >= 0 && all.line[a] === all.line[b]) {
        const members = state.members[all.line[a]!]!;
        const [i, j] = [members.indexOf(a), members.indexOf(b)].sort((x, y) => x - y) as [number, number];
        found.push(...members.subarray(i, j + 1));
      } else if (all.upload[a] === all.upload[b]) {
        const [low, high] = [all.row[a]!, all.row[b]!].sort((x, y) => x - y) as [number, number];
        for (let k = 0; k < all.count; k++) if (all.upload[k] === all.upload[a] && all.row[k]! >= low && all.row[k]! <= high) found.push(k);
      } else {
        throw new Trouble("These shots share neither line nor upload.", "Give two shots of one line or of one upload.", "to", 0);
      }
      state.setRange(found);
      return `${found.length} shots chosen.`;
    },
  );
  const lines = formOf(
    [
      { name: "kind", label: "What", kind: "select", options: [["rename", "rename the line"], ["split", "split the line between two shots"], ["join", "join two lines at two shots"]] },
      { name: "first", label: "Shot", hint: "Rename: any shot of the line. Split: the last shot before the cut. Join: the end shot of one line." },
      { name: "second", label: "Second shot", optional: true, hint: "Split: the first shot after the cut. Join: the end shot of the other line." },
      { name: "value", label: "New name", optional: true },
      { name: "why", label: "Why" },
    ],
    "Enter in the ledger",
    async (form) => {
      const kind = form.value("kind");
      const names = kind === "rename" ? ["first"] : ["first", "second"];
      const keys = names.map((name) => {
        const index = shotIndex(state.shots, form.value(name));
        if (index < 0) throw new Trouble(`The job has no shot '${form.value(name)}'.`, "Shots are named by upload and row, such as A-17.", name, 0);
        return keyOf(state, index);
      });
      if (kind === "rename" && !form.value("value")) throw new Trouble("A new name is needed.", "", "value", 0);
      await state.api.post("decisions", { kind, shots: keys, value: kind === "rename" ? form.value("value") : "", why: form.value("why") });
      decided();
      return "Entered. What it changes follows with the processing.";
    },
  );
  const show = (): void => {
    const names = [...state.range].slice(0, 6).map((shot) => shotName(state.shots, shot));
    fill(about, state.range.size
      ? [`${state.range.size} shots chosen: ${names.join(", ")}${state.range.size > 6 ? " …" : ""} `,
        h("button", { type: "button", class: "quiet", click: () => state.setRange([]) }, "Let go")]
      : "No shots are chosen. In the table, Shift or Ctrl with a click chooses several.");
  };
  state.on("range", show);
  state.on("loaded", show);
  show();
  const element = h("div", {},
    about,
    h("p", {}, h("button", { type: "button", class: "quiet", click: () => sheet.setTool(boxTool(sheet, state)) }, "Drag a box on the sheet"),
      " ", h("button", { type: "button", class: "quiet", click: () => state.setRange(indices(state)) }, "Take all shots the table shows")),
    h("details", {}, h("summary", {}, "From one shot to another"), range.element),
    shots.element,
    h("details", { id: "work-lines" }, h("summary", {}, "Split, join or rename a line"), lines.element));
  return {
    element,
    start(shot, kind) {
      if (!state.range.has(shot)) state.setRange([shot]);
      shots.put("kind", kind);
      open();
      shots.element.querySelector<HTMLInputElement>("[name=why]")?.focus();
    },
    line(kind, index) {
      const members = state.members[index];
      lines.put("kind", kind);
      const chosen = state.chosen?.kind === "shot" ? state.chosen.index : members?.[0];
      if (chosen !== undefined) lines.put("first", shotName(state.shots, chosen));
      open();
      element.querySelector<HTMLDetailsElement>("#work-lines")!.open = true;
      lines.element.querySelector<HTMLInputElement>(kind === "rename" ? "[name=value]" : "[name=second]")?.focus();
    },
  };
}

function indices(state: State): number[] {
  const found: number[] = [];
  for (let k = 0; k < state.shots.count; k++) if (state.shown[k]) found.push(k);
  return found;
}
