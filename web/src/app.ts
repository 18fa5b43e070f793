// What runs in the browser: htmx with its server-sent events extension swaps
// fragments that the server rendered, and figures marked as plots get drawn.
import htmx from "htmx.org";
import "htmx-ext-sse";
import { LiveSource } from "./live";
import { drawPlots } from "./plot";

Object.assign(htmx, { createEventSource: (url: string) => new LiveSource(url) });

drawPlots(document);
htmx.onLoad((part) => {
  if (part instanceof HTMLElement) drawPlots(part);
});
