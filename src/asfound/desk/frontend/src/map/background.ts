// Backgrounds: none by default; a GeoTIFF from this computer or the desk, tiles that are allowed.

import ImageLayer from "ol/layer/Image";
import type Layer from "ol/layer/Layer";
import TileLayer from "ol/layer/Tile";
import type { Extent } from "ol/extent";
import { get } from "ol/proj";
import ImageSource from "ol/source/Image";
import ImageTile from "ol/source/ImageTile";
import WMTS, { optionsFromCapabilities } from "ol/source/WMTS";
import WMTSCapabilities from "ol/format/WMTSCapabilities";
import XYZ from "ol/source/XYZ";
import { Trouble } from "../api";
import type { View } from "../model";

/** A picture from a GeoTIFF file; only the part and the detail in view is read. */
export async function geotiffLayer(file: File | string, view: View): Promise<Layer> {
  const { fromBlob, fromUrl } = await import("geotiff");
  const tiff = typeof file === "string" ? await fromUrl(file) : await fromBlob(file);
  const image = await tiff.getImage();
  const keys = image.getGeoKeys() ?? {};
  const code = (keys["ProjectedCSTypeGeoKey"] ?? keys["GeographicTypeGeoKey"]) as number | undefined;
  const unitMetres = view.units.grid.metres;
  const own = view.frame.code === `EPSG:${code}` || code === undefined || code === 32767;
  const projection = own ? "JOB" : `EPSG:${code}`;
  if (!own && !get(projection)) {
    throw new Trouble(
      `The picture is in ${projection}; this page can't bring it to ${view.frame.name}.`,
      `Warp it once, for example: gdalwarp -t_srs ${view.frame.code || "the job's CRS"} in.tif out.tif`,
      "background",
      0,
    );
  }
  // The job is drawn in metres; a picture in the job's own CRS may count in feet.
  const factor = own ? unitMetres : 1;
  const [west, south, east, north] = image.getBoundingBox() as [number, number, number, number];
  const whole = [west * factor, south * factor, east * factor, north * factor];
  const bands = Math.min(image.getSamplesPerPixel(), 4);
  const source = new ImageSource({
    projection,
    loader: async (extent: Extent, resolution: number) => {
      const part = [
        Math.max(extent[0]!, whole[0]!), Math.max(extent[1]!, whole[1]!),
        Math.min(extent[2]!, whole[2]!), Math.min(extent[3]!, whole[3]!),
      ];
      if (part[0]! >= part[2]! || part[1]! >= part[3]!) return { image: emptyCanvas(), extent };
      const width = Math.max(1, Math.min(4096, Math.round((part[2]! - part[0]!) / resolution)));
      const height = Math.max(1, Math.min(4096, Math.round((part[3]! - part[1]!) / resolution)));
      const data = (await tiff.readRasters({
        bbox: part.map((value) => value / factor),
        width, height, interleave: true, resampleMethod: "bilinear",
        samples: bands >= 3 ? [...Array(bands).keys()] : [0],
      })) as unknown as ArrayLike<number>;
      return { image: painted(data, width, height, bands >= 3 ? bands : 1), extent: part };
    },
  });
  const layer = new ImageLayer({ source });
  return layer as unknown as Layer;
}

function emptyCanvas(): HTMLCanvasElement {
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = 1;
  return canvas;
}

function painted(data: ArrayLike<number>, width: number, height: number, bands: number): HTMLCanvasElement {
  const canvas = document.createElement("canvas");
  canvas.width = width;
  canvas.height = height;
  const context = canvas.getContext("2d")!;
  const pixels = context.createImageData(width, height);
  let scale = 1;
  let low = 0;
  if (!(data instanceof Uint8Array)) {
    let high = -Infinity;
    low = Infinity;
    for (let k = 0; k < data.length; k++) {
      const value = data[k]!;
      if (!Number.isFinite(value)) continue;
      if (value < low) low = value;
      if (value > high) high = value;
    }
    scale = high > low ? 255 / (high - low) : 1;
  }
  for (let k = 0, at = 0; k < width * height; k++) {
    for (let band = 0; band < 3; band++) {
      pixels.data[4 * k + band] = (data[at + (bands >= 3 ? band : 0)]! - low) * scale;
    }
    pixels.data[4 * k + 3] = bands === 4 ? data[at + 3]! : 255;
    at += bands;
  }
  context.putImageData(pixels, 0, 0);
  return canvas;
}

/** Raster tiles in one PMTiles file. */
export async function pmtilesLayer(file: File | string): Promise<Layer> {
  const { FileSource, PMTiles, TileType } = await import("pmtiles");
  const archive = new PMTiles(typeof file === "string" ? file : new FileSource(file));
  const header = await archive.getHeader();
  if (header.tileType === TileType.Mvt) {
    throw new Trouble(
      "This PMTiles file holds vector tiles; the page draws pictures only.",
      "Use a PMTiles file with PNG, JPEG or WebP tiles.",
      "background",
      0,
    );
  }
  const source = new ImageTile({
    minZoom: header.minZoom,
    maxZoom: header.maxZoom,
    loader: async (z: number, x: number, y: number) => {
      const tile = await archive.getZxy(z, x, y);
      if (!tile) return emptyCanvas();
      return createImageBitmap(new Blob([tile.data]));
    },
  });
  return new TileLayer({ source: source as never }) as unknown as Layer;
}

/** Tiles by address: `{z}/{x}/{y}` for XYZ, a capabilities document for WMTS. */
export async function addressLayer(address: string): Promise<Layer> {
  if (address.includes("{z}")) {
    return new TileLayer({ source: new XYZ({ url: address, crossOrigin: "anonymous" }) }) as unknown as Layer;
  }
  if (/\.tiff?(\?|$)/i.test(address)) throw new Error("a picture, not tiles");
  const answer = await fetch(address);
  if (!answer.ok) {
    throw new Trouble(
      `The server of the tiles answered with status ${answer.status}.`,
      "Check the address; it should hold {z}, {x} and {y}, or lead to a WMTS capabilities document.",
      "background",
      answer.status,
    );
  }
  const capabilities = new WMTSCapabilities().read(await answer.text());
  const first = (capabilities?.["Contents"]?.["Layer"]?.[0]?.["Identifier"] ?? "") as string;
  const options = optionsFromCapabilities(capabilities, { layer: first });
  if (!options) {
    throw new Trouble(
      "No layer of this WMTS can be drawn here.",
      "Its tile grid must be in Web Mercator, geographic WGS 84 or UTM.",
      "background",
      0,
    );
  }
  return new TileLayer({ source: new WMTS(options) }) as unknown as Layer;
}
