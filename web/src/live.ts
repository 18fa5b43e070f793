// The live stream of a page. A browser keeps about six connections to one
// server, so a page that nobody looks at lets go of its stream, and takes up
// where it stood when it is looked at again. A page that has lost its stream
// says so: figures that stand still must not pass for the state of the lab.

const RETRY_MS = 2000;

/** What the htmx extension for server-sent events needs of an EventSource. */
export class LiveSource extends EventTarget {
  onopen: ((event: Event) => void) | null = null;
  onerror: ((event: Event) => void) | null = null;
  private inner: EventSource | undefined;
  private readonly names = new Set<string>();
  private lastId = "";
  private closed = false;
  private retry: number | undefined;

  constructor(private readonly url: string) {
    super();
    document.addEventListener("visibilitychange", this.look);
    this.look();
  }

  get readyState(): number {
    return this.closed ? EventSource.CLOSED : (this.inner?.readyState ?? EventSource.CONNECTING);
  }

  override addEventListener(name: string, listener: EventListenerOrEventListenerObject | null): void {
    super.addEventListener(name, listener);
    if (this.names.has(name)) return;
    this.names.add(name);
    this.inner?.addEventListener(name, this.forward);
  }

  close(): void {
    this.closed = true;
    document.removeEventListener("visibilitychange", this.look);
    this.letGo();
  }

  private readonly look = (): void => {
    if (document.hidden) this.letGo();
    else if (!this.inner) this.connect();
  };

  private letGo(): void {
    clearTimeout(this.retry);
    this.inner?.close();
    this.inner = undefined;
  }

  private connect(): void {
    const url = new URL(this.url, location.href);
    if (this.lastId) url.searchParams.set("after", this.lastId);
    const inner = new EventSource(url);
    this.inner = inner;
    for (const name of this.names) inner.addEventListener(name, this.forward);
    inner.onopen = (event) => {
      tell("");
      this.onopen?.(event);
    };
    inner.onerror = () => {
      tell(new Date().toTimeString().slice(0, 8));
      if (inner.readyState !== EventSource.CLOSED) return; // the browser tries again by itself
      this.letGo();
      this.retry = setTimeout(this.look, RETRY_MS);
    };
  }

  private readonly forward = (event: Event): void => {
    if (!(event instanceof MessageEvent)) return;
    this.lastId = event.lastEventId || this.lastId;
    this.dispatchEvent(new MessageEvent(event.type, { data: event.data, lastEventId: event.lastEventId }));
  };
}

/** Shows since when the page is not live, or nothing when it is. */
function tell(since: string): void {
  const line = document.querySelector<HTMLElement>("#not-live");
  if (!line || (since && !line.hidden)) return;
  line.hidden = since === "";
  line.textContent = since ? `Not live since ${since}: the server does not answer. What stands here may be old.` : "";
}
