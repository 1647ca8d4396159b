// Where to start.
import { byId } from "./dom.js";
export async function showStart() { byId("start-walk").textContent = ""; }
