"""What a phone's disk holds, read on a page without the product's own code; for any browser."""

# The store, read without the product's own code: {store: rows}, ArrayBuffers as base64. Null where there is none yet.
STORED = """async () => {
  if (!(await indexedDB.databases()).some(({ name }) => name === "logbook")) return null;
  const opened = indexedDB.open("logbook");
  const done = (request) => new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
  const db = await done(opened);
  const kind = (value) => Object.prototype.toString.call(value).slice(8, -1);
  const plain = (value) => {
    if (kind(value) === "ArrayBuffer") {
      const bytes = new Uint8Array(value);
      let text = "";
      for (let at = 0; at < bytes.length; at += 30000) text += String.fromCharCode(...bytes.subarray(at, at + 30000));
      return btoa(text);
    }
    if (kind(value) === "Blob") throw new Error("a Blob is in the store");
    if (Array.isArray(value)) return value.map(plain);
    if (!value || typeof value !== "object") return value;
    return Object.fromEntries(Object.entries(value).map(([key, inner]) => [key, plain(inner)]));
  };
  const all = {};
  for (const name of db.objectStoreNames) {
    const store = db.transaction(name).objectStore(name);
    const [keys, rows] = [await done(store.getAllKeys()), await done(store.getAll())];
    all[name] = ["meta", "facts", "bytes"].includes(name)
      ? Object.fromEntries(keys.map((key, at) => [key, plain(rows[at])])) : rows.map(plain);
  }
  db.close();
  return all;
}"""
