// A ZIP archive without compression (photos are compressed already). Source: APPNOTE.TXT 6.3, sections 4.3.7 to 4.3.16.

const TABLE = Uint32Array.from({ length: 256 }, (_, byte) => {
  for (let bit = 0; bit < 8; bit++) byte = byte & 1 ? (byte >>> 1) ^ 0xedb88320 : byte >>> 1;
  return byte;
});

function crc32(bytes) {
  let crc = ~0;
  for (const byte of bytes) crc = (crc >>> 8) ^ TABLE[(crc ^ byte) & 255];
  return ~crc >>> 0;
}

/** Little-endian fields, [value, bytes] each. */
function packed(...fields) {
  return Uint8Array.from(fields.flatMap(([value, size]) => Array.from({ length: size }, (_, i) => (value >>> (8 * i)) & 255)));
}

/**
 * @param {Array<[string, Blob]>} files Name and content; names must differ.
 * @returns {Promise<Blob>}
 */
export async function zip(files) {
  const parts = [];
  const entries = [];
  let offset = 0;
  for (const [name, blob] of files) {
    const bytes = new Uint8Array(await blob.arrayBuffer());
    const title = new TextEncoder().encode(name);
    // Version 2.0, names in UTF-8 (flag bit 11), stored, 1 January 1980.
    const shared = [[20, 2], [0x800, 2], [0, 2], [0, 2], [0x21, 2], [crc32(bytes), 4], [bytes.length, 4], [bytes.length, 4], [title.length, 2], [0, 2]];
    const local = packed([0x04034b50, 4], ...shared);
    entries.push(packed([0x02014b50, 4], [20, 2], ...shared, [0, 2], [0, 2], [0, 2], [0, 4], [offset, 4]), title);
    parts.push(local, title, bytes);
    offset += local.length + title.length + bytes.length;
  }
  const size = entries.reduce((sum, entry) => sum + entry.length, 0);
  const end = packed([0x06054b50, 4], [0, 4], [files.length, 2], [files.length, 2], [size, 4], [offset, 4], [0, 2]);
  return new Blob([...parts, ...entries, end], { type: "application/zip" });
}
