// Colours of the sheet, from the page's style, so that light, dark and print agree.

export interface Ink {
  paper: string;
  ink: string;
  faint: string;
  grid: string;
  mark: string;
  utilities: string[];
  washes: string[];
  dark: boolean;
}

export function readInk(element: Element, rgb: [number, number, number][]): Ink {
  const style = getComputedStyle(element);
  const value = (name: string): string => style.getPropertyValue(name).trim();
  const dark = value("--sheet-dark") === "1";
  // On dark paper the code's darker hues are lightened, or they would drown.
  const tuned = rgb.map((one) => (dark ? lighter(one) : one));
  return {
    paper: value("--sheet"),
    ink: value("--ink"),
    faint: value("--ink-faint"),
    grid: value("--sheet-grid"),
    mark: value("--mark"),
    utilities: tuned.map(([r, g, b]) => `rgb(${r},${g},${b})`),
    washes: tuned.map(([r, g, b]) => `rgba(${r},${g},${b},${dark ? 0.26 : 0.17})`),
    dark,
  };
}

function lighter([r, g, b]: [number, number, number]): [number, number, number] {
  const light = 0.2126 * r + 0.7152 * g + 0.0722 * b;
  const share = light < 130 ? 0.38 : 0.12;
  const mix = (v: number): number => Math.round(v + (255 - v) * share);
  return [mix(r), mix(g), mix(b)];
}
