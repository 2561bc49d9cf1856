// The job's own projection in metres: coordinates stay exact, backgrounds are brought to it.

import { register } from "ol/proj/proj4";
import Projection from "ol/proj/Projection";
import { addProjection, get } from "ol/proj";
import proj4 from "proj4";
import type { View } from "../model";

export function jobProjection(view: View): Projection {
  const [e, n] = view.origin;
  const far = 200_000;
  const extent = [e - far, n - far, e + far, n + far];
  if (view.frame.proj) {
    try {
      proj4.defs("JOB", view.frame.proj);
      register(proj4);
      const known = get("JOB");
      if (known) {
        known.setExtent(extent);
        return known;
      }
    } catch {
      // A projection that the browser can't compute: the plan needs none, only backgrounds do.
    }
  }
  const plain = new Projection({ code: "JOB", units: "m", extent });
  addProjection(plain);
  return plain;
}
