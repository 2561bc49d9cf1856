// Lists of lines, findings, sweeps and digs; each entry leads to its place on the sheet.

import { fetchJson } from "../api";
import { type Child, fill, h } from "../dom";
import type { Sheet } from "../map/sheet";
import type { Finding, Verdict } from "../model";
import type { Chosen, Kind, State } from "../state";
import { chance } from "../units";
import { swatch, verdictSymbol } from "./symbols";

/** A button that chooses something and brings it into view. */
export function link(state: State, sheet: Sheet, chosen: Chosen, ...words: Child[]): HTMLElement {
  return h("button", {
    type: "button", class: "link",
    click: () => {
      state.choose(chosen);
      sheet.show(chosen);
    },
  }, ...words);
}

function word(verdict: Verdict): HTMLElement {
  return h("span", { class: "verdict" }, verdictSymbol(verdict), verdict);
}

/** Rows that can be chosen; the chosen one is marked and scrolled to. */
function rowsOf(state: State, kind: Kind, rows: HTMLTableRowElement[]): void {
  rows.forEach((row, index) => {
    row.dataset["kind"] = kind;
    row.dataset["index"] = String(index);
    if (state.chosen?.kind === kind && state.chosen.index === index) row.setAttribute("aria-current", "true");
  });
}

function watch(state: State, panel: HTMLElement, kind: Kind): void {
  state.on("chosen", (chosen) => {
    for (const row of panel.querySelectorAll<HTMLElement>(`[data-kind="${kind}"]`)) {
      const mine = chosen?.kind === kind && row.dataset["index"] === String(chosen.index);
      if (mine) {
        row.setAttribute("aria-current", "true");
        row.scrollIntoView({ block: "nearest" });
      } else {
        row.removeAttribute("aria-current");
      }
    }
  });
}

function scroller(label: string, table: HTMLElement): HTMLElement {
  return h("div", { class: "scroller", tabindex: "0", role: "region", "aria-label": label }, table);
}

export function linePanel(state: State, sheet: Sheet, panel: HTMLElement): void {
  const draw = (): void => {
    const { view, units } = state;
    const unit = units.length.symbol;
    const rows = view.lines.map((line, index) =>
      h("tr", {},
        h("th", { scope: "row" }, link(state, sheet, { kind: "line", index }, swatch(state, line.utility), line.name)),
        h("td", {}, view.utilities[line.utility]!.word),
        h("td", {}, word(line.verdict)),
        h("td", { class: "number" }, line.shots, line.doubtful || line.unfit
          ? h("small", {}, ` ${[line.doubtful ? `${line.doubtful} doubtful` : "", line.unfit ? `${line.unfit} unfit` : ""].filter(Boolean).join(", ")}`) : null),
        h("td", { class: "number" }, units.number(line.length_m, 1)),
        h("td", { class: "number" }, `${units.number(line.across_95_m)} / ${units.number(line.across_95_most_m)}`)));
    rowsOf(state, "line", rows);
    const crossings = view.crossings.map((one, index) =>
      h("tr", {},
        h("th", { scope: "row" }, link(state, sheet, { kind: "crossing", index }, `${one.upper} over ${one.lower}`)),
        h("td", { class: "number" }, units.number(one.separation_m)),
        h("td", { class: "number" }, units.number(one.separation_95_m)),
        h("td", { class: "number" }, one.order_certainty === null ? "" : chance(one.order_certainty))));
    rowsOf(state, "crossing", crossings);
    fill(panel, scroller("Lines and crossings", h("div", {},
      h("table", {},
        h("caption", {}, "Lines. Envelope: what holds the axis sideways with 95 %, median / greatest."),
        h("thead", {}, h("tr", {}, ...["Line", "Utility", "Verdict"].map((t) => h("th", { scope: "col" }, t)),
          ...["Shots", `Length ${unit}`, `Envelope ${unit}`].map((t) => h("th", { scope: "col", class: "number" }, t)))),
        h("tbody", {}, rows)),
      crossings.length ? h("table", {},
        h("caption", {}, "Crossings, centre to centre."),
        h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Upper over lower"),
          ...[`Apart ${unit}`, `± 95 % ${unit}`, "Order sure"].map((t) => h("th", { scope: "col", class: "number" }, t)))),
        h("tbody", {}, crossings)) : null)));
  };
  state.on("loaded", draw);
  state.on("units", draw);
  watch(state, panel, "line");
  watch(state, panel, "crossing");
  draw();
}

export function findingPanel(state: State, sheet: Sheet, panel: HTMLElement): void {
  let findings: Finding[] = [];
  let open = new Set<string>();
  const draw = (): void => {
    const groups = new Map<string, Finding[]>();
    for (const one of findings) {
      const key = `${one.severity}|${one.rule}`;
      const group = groups.get(key) ?? [];
      group.push(one);
      groups.set(key, group);
    }
    const { view } = state;
    fill(panel, h("div", { class: "scroller", tabindex: "0", role: "region", "aria-label": "Findings" },
      h("p", { class: "count" }, `${findings.length} findings: ${view.counts.findings.fail} make unfit, ${view.counts.findings.doubt} raise a doubt, ${view.counts.findings.note} notes.`),
      [...groups].map(([key, group]) => {
        const first = group[0]!;
        const body = h("div", {});
        // Thousands of findings are made into rows only where someone looks.
        const unfold = (): void => {
          if (body.childElementCount) return;
          const names = group.slice(0, 400);
          fill(body,
            h("p", { class: "remedy" }, h("b", {}, "What to do: "), state.units.sentence(first.remedy)),
            h("ul", {}, names.map((one) => h("li", {},
              subjectLink(state, sheet, one), " ", state.units.sentence(one.detail)))),
            group.length > names.length ? h("p", {}, `and ${group.length - names.length} more; choose them in the table of shots by verdict.`) : null,
            h("p", { class: "basis" }, `Rule: ${state.units.sentence(first.checks)} Threshold: ${state.units.sentence(first.threshold)}. From: ${first.basis}.`));
        };
        if (open.has(key)) unfold();
        return h("details", {
          class: `finding ${first.severity}`, open: open.has(key),
          toggle: (event: Event) => {
            if ((event.target as HTMLDetailsElement).open) {
              open.add(key);
              unfold();
            } else {
              open.delete(key);
            }
          },
        },
        h("summary", {}, h("span", { class: "severity" }, first.severity), h("span", {}, first.title), h("span", { class: "tally" }, group.length)),
        body);
      }),
      view.rows.length ? h("section", {}, h("h3", {}, "Rows of uploads that need a look"),
        h("ul", { class: "plain" }, view.rows.map((row) => h("li", {},
          h("b", {}, `${row.file}, line ${row.line}: `), state.units.sentence(row.reason), " ",
          h("span", { class: "remedy" }, state.units.sentence(row.remedy)))))) : null));
  };
  let loaded = false;
  const load = async (): Promise<void> => {
    loaded = true;
    ({ findings } = await fetchJson<{ findings: Finding[] }>(`${state.viewBase}findings.json`));
    open = new Set();
    draw();
  };
  // Not before someone looks at them: the first sheet comes first.
  new IntersectionObserver((entries) => {
    if (!loaded && entries.some((one) => one.isIntersecting)) void load();
  }).observe(panel);
  state.on("loaded", () => {
    if (loaded) void load();
  });
  state.on("units", () => {
    if (loaded) draw();
  });
}

function subjectLink(state: State, sheet: Sheet, one: Finding): Child {
  if (one.about === "shot" || one.about === "line") {
    return link(state, sheet, { kind: one.about, index: one.index }, one.subject);
  }
  return h("b", {}, one.about === "source" ? `upload ${one.subject}` : "the job");
}

export function sweepPanel(state: State, sheet: Sheet, panel: HTMLElement): void {
  const draw = (): void => {
    const { view, units } = state;
    const rows = view.sweeps.map((sweep, index) =>
      h("tr", {},
        h("th", { scope: "row" }, link(state, sheet, { kind: "sweep", index }, sweep.name)),
        h("td", {}, sweep.line || "no line"),
        h("td", {}, !sweep.usable ? "not usable" : sweep.explained ? "explained" : "not explained"),
        h("td", { class: "number" }, sweep.conductors.length),
        h("td", { class: "number" }, units.number(sweep.depth_m))));
    rowsOf(state, "sweep", rows);
    fill(panel, view.sweeps.length
      ? scroller("Sweeps", h("table", {},
        h("caption", {}, "Sweeps: readings across a line, and the conductors that explain them."),
        h("thead", {}, h("tr", {}, ...["Sweep", "Line", "Readings"].map((t) => h("th", { scope: "col" }, t)),
          ...["Conductors", `Depth ${units.length.symbol}`].map((t) => h("th", { scope: "col", class: "number" }, t)))),
        h("tbody", {}, rows)))
      : h("p", { class: "empty" }, "No sweeps yet. Where the field is distorted, nine to fifteen readings along a tape across the line settle where the conductor is."));
  };
  state.on("loaded", draw);
  state.on("units", draw);
  watch(state, panel, "sweep");
  draw();
}

export function digPanel(state: State, sheet: Sheet, panel: HTMLElement, startDrawing: () => void): void {
  const draw = (): void => {
    const { view, units } = state;
    const unit = units.length.symbol;
    const rows = view.digs.map((dig, index) => {
      const nearest = dig.clearance.approaches[0];
      return h("tr", {},
        h("th", { scope: "row" }, link(state, sheet, { kind: "dig", index }, `${dig.kind} ${dig.name}`)),
        h("td", {}, nearest ? nearest.line : "none within reach"),
        h("td", { class: "number" }, nearest ? units.number(nearest.clearance_m) : ""),
        h("td", { class: "number" }, nearest ? chance(nearest.p_contact) : ""),
        h("td", { class: "number" }, nearest?.rule ? chance(nearest.p_breach) : ""));
    });
    rowsOf(state, "dig", rows);
    const seen = view.exposures.map((one, index) =>
      h("tr", {},
        h("th", { scope: "row" }, link(state, sheet, { kind: "exposure", index }, one.name)),
        h("td", {}, one.line),
        h("td", { class: "number" }, units.number(one.top_depth_m)),
        h("td", { class: "number" }, units.number(one.em_depth_error_m)),
        h("td", {}, one.contradicted ? "contradicts the line" : "agrees")));
    rowsOf(state, "exposure", seen);
    fill(panel, h("div", { class: "scroller", tabindex: "0", role: "region", "aria-label": "Digs and exposures" },
      rows.length ? h("table", {},
        h("caption", {}, "Planned digs and the line most at risk. Clearance between outer surfaces."),
        h("thead", {}, h("tr", {}, ...["Dig", "Line"].map((t) => h("th", { scope: "col" }, t)),
          ...[`Clearance ${unit}`, "Contact", "Required not kept"].map((t) => h("th", { scope: "col", class: "number" }, t)))),
        h("tbody", {}, rows))
        : h("p", { class: "empty" }, "No planned digs yet. ", state.may.work ? h("button", { type: "button", click: startDrawing }, "Draw a dig") : null),
      view.expose.words.length ? h("section", {}, h("h3", {}, "Where to expose first"),
        h("ol", { class: "plain" }, view.expose.words.map((words) => h("li", {}, units.sentence(words))))) : null,
      seen.length ? h("table", {},
        h("caption", {}, "Exposures. Depth error: located less true depth; above zero it read too deep."),
        h("thead", {}, h("tr", {}, ...["Exposure", "Line"].map((t) => h("th", { scope: "col" }, t)),
          ...[`Top ${unit}`, `Depth error ${unit}`].map((t) => h("th", { scope: "col", class: "number" }, t)),
          h("th", { scope: "col" }, "Located line"))),
        h("tbody", {}, seen)) : null,
      h("ul", { class: "cautions" }, view.cautions.map((words) => h("li", {}, words)))));
  };
  state.on("loaded", draw);
  state.on("units", draw);
  watch(state, panel, "dig");
  watch(state, panel, "exposure");
  draw();
}
