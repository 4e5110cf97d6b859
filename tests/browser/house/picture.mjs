// An image that any decoder accepts as a photograph (PNG, third edition, W3C 2025: 5.3, 5.6, 11.2).

import zlib from "node:zlib";

/** The CRC of annex D, for a Node that lacks it. */
function crc32(bytes) {
  if (zlib.crc32) return zlib.crc32(bytes);
  let crc = ~0;
  for (const byte of bytes) {
    crc ^= byte;
    for (let bit = 0; bit < 8; bit += 1) crc = (crc >>> 1) ^ (crc & 1 ? 0xedb88320 : 0);
  }
  return ~crc >>> 0;
}

function chunk(kind, data) {
  const named = Buffer.concat([Buffer.from(kind, "latin1"), data]);
  const framed = Buffer.alloc(named.length + 8);
  framed.writeUInt32BE(data.length, 0);
  named.copy(framed, 4);
  framed.writeUInt32BE(crc32(named), named.length + 4);
  return framed;
}

/** A PNG of stripes in true color. */
export function png(width, height) {
  const head = Buffer.alloc(13);
  head.writeUInt32BE(width, 0);
  head.writeUInt32BE(height, 4);
  head.set([8, 2, 0, 0, 0], 8);
  const rows = Buffer.alloc((width * 3 + 1) * height);
  for (let at = 0; at < rows.length; at += 1) rows[at] = at % (width * 3 + 1) === 0 ? 0 : 90 + (at % 97);
  const signature = Buffer.from([0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a]);
  return Buffer.concat([signature, chunk("IHDR", head), chunk("IDAT", zlib.deflateSync(rows)), chunk("IEND", Buffer.alloc(0))]);
}
