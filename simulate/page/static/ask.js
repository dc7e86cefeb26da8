// Questions to the server of this page, and its answers: JSON text, then the bare pixels of the pictures.

const client = crypto.randomUUID ? crypto.randomUUID() : String(Math.random());

export class Refused extends Error {}

async function answered(reply) {
  if (reply.ok) return unpacked(await reply.arrayBuffer());
  let told;
  try {
    told = await reply.json();
  } catch {
    throw new Refused(`the page was refused (${reply.status})`);
  }
  if (told.dropped) return null;
  throw new Refused(told.error);
}

function unpacked(buffer) {
  const size = new DataView(buffer).getUint32(0, true);
  const told = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, size)));
  let start = 4 + size;
  if (told.sheet_bytes) {
    told.sheet = new Blob([new Uint8Array(buffer, start, told.sheet_bytes)], { type: "image/png" });
    return told;
  }
  for (const picture of told.pictures ?? []) {
    const length = picture.rows * picture.columns * 4;
    // a copy: image data must begin at its own byte
    const pixels = new Uint8ClampedArray(buffer.slice(start, start + length));
    picture.canvas = document.createElement("canvas");
    picture.canvas.width = picture.columns;
    picture.canvas.height = picture.rows;
    picture.canvas.getContext("2d").putImageData(new ImageData(pixels, picture.columns, picture.rows), 0, 0);
    start += length;
  }
  return told;
}

async function fetched(address, options) {
  try {
    return await fetch(address, { cache: "no-store", ...options, headers: { "X-Client": client } });
  } catch {
    throw new Refused("the program behind this page does not answer; start it again");
  }
}

// null where a newer question took the place of this one
export async function ask(what, words) {
  return answered(await fetched(`ask/${what}?${new URLSearchParams(words)}`));
}

export async function send(what, words, file) {
  return answered(await fetched(`ask/${what}?${new URLSearchParams(words)}`, { method: "POST", body: file }));
}

// Asks the newest of what is wanted, one at a time: a slider never gets ahead of its pictures.
export class Follower {
  constructor(what, use, fail) {
    Object.assign(this, { what, use, fail, wanted: null, busy: false });
  }

  async want(words) {
    this.wanted = words;
    if (this.busy) return;
    this.busy = true;
    while (this.wanted) {
      const now = this.wanted;
      this.wanted = null;
      const { of, ...words } = now; // `of` is for whoever uses the answer
      try {
        const told = await ask(this.what, words);
        if (told) this.use(told, now);
      } catch (error) {
        if (!this.wanted) this.fail(error);
      }
    }
    this.busy = false;
  }
}
