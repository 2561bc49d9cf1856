// Choosing a background: none, a file of one's own, or an address that the desk allows.

import { Trouble } from "../api";
import { h } from "../dom";
import type { Sheet } from "../map/sheet";
import type { State } from "../state";

export function backgroundForm(state: State, sheet: Sheet): HTMLElement {
  const said = h("p", { class: "form-said", role: "status" });
  const put = async (make: () => Promise<import("ol/layer/Layer").default>): Promise<void> => {
    said.classList.remove("trouble");
    said.textContent = "Reading …";
    try {
      sheet.setBackground([await make()]);
      said.textContent = "The background is on the sheet. It is a picture, not evidence of where lines are.";
    } catch (error) {
      said.classList.add("trouble");
      said.textContent = error instanceof Trouble
        ? `${error.title} ${error.remedy}`
        : `This can't be read as a background (${error instanceof Error ? error.message : String(error)}). Use a GeoTIFF, PMTiles with pictures, or an address that the administrator has allowed.`;
    }
  };
  const file = h("input", {
    type: "file", id: "background-file", accept: ".tif,.tiff,.pmtiles",
    change: () => {
      const chosen = file.files?.[0];
      if (!chosen) return;
      void put(async () => {
        const { geotiffLayer, pmtilesLayer } = await import("../map/background");
        return chosen.name.toLowerCase().endsWith(".pmtiles") ? pmtilesLayer(chosen) : geotiffLayer(chosen, state.view);
      });
    },
  });
  const address = h("input", { type: "text", id: "background-address", autocomplete: "off", placeholder: "/backgrounds/photo.tif or https://…/{z}/{x}/{y}.png" });
  return h("div", { class: "work-form" },
    h("div", { class: "field" }, h("label", { for: "background-file" }, "A file on this computer"), file,
      h("span", { class: "hint" }, "GeoTIFF in the job's CRS, or PMTiles. It stays on this computer.")),
    h("div", { class: "field" }, h("label", { for: "background-address" }, "Or an address"), address,
      h("span", { class: "hint" }, "Only the desk's own and those the administrator has allowed.")),
    h("p", {}, h("button", {
      type: "button", class: "quiet",
      click: () => {
        const text = address.value.trim();
        if (!text) return;
        void put(async () => {
          const { addressLayer, geotiffLayer, pmtilesLayer } = await import("../map/background");
          if (/\.pmtiles(\?|$)/i.test(text)) return pmtilesLayer(text);
          return /\.tiff?(\?|$)/i.test(text) ? geotiffLayer(text, state.view) : addressLayer(text);
        });
      },
    }, "Show it"), " ", h("button", {
      type: "button", class: "quiet",
      click: () => {
        sheet.setBackground([]);
        said.textContent = "No background.";
      },
    }, "No background")), said);
}
