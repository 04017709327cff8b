// What this phone keeps: one IndexedDB, every write strict (on the disk before it counts) and all or nothing.
// self.Store = {read, all, write, change, ballast}; shared by the pages and the worker. An error's `kind` says why:
// "blocked" (this browser keeps nothing), "full" (no room, the ballast given up too), "old" (a newer page upgraded it).
"use strict";
(() => {
  const VERSION = self.STORE_VERSION || 1;
  const KEYED = ["drafts", "reports", "photos"];
  const LOOSE = ["meta", "facts", "bytes"]; // bytes: of a photo, by its id: no list of photos has to read them
  const BALLAST = 200_000; // given up when the disk is full, so that a report's words always fit
  const nothing = () => undefined;
  let opening;

  const failed = (kind, cause) => Object.assign(new Error(cause?.message || kind, { cause }), { kind });

  function upgrade(db) {
    for (const name of KEYED) if (!db.objectStoreNames.contains(name)) db.createObjectStore(name, { keyPath: "id" });
    for (const name of LOOSE) if (!db.objectStoreNames.contains(name)) db.createObjectStore(name);
  }

  function begin(resolve, reject) {
    if (!self.isSecureContext) return reject(failed("blocked"));
    const request = indexedDB.open("logbook", VERSION); // throws where storage is shut off
    request.onupgradeneeded = () => upgrade(request.result);
    request.onerror = () => reject(failed(request.error.name === "VersionError" ? "old" : "blocked", request.error));
    request.onsuccess = () => {
      const db = request.result;
      db.onclose = drop;
      db.onversionchange = () => {
        db.close();
        drop();
        self.dispatchEvent(new Event("store-old"));
      };
      resolve(db);
    };
  }

  function open() {
    opening ??= new Promise(begin).catch((error) => {
      drop();
      throw error.kind ? error : failed("blocked", error);
    });
    return opening;
  }

  function drop() {
    opening = undefined;
  }

  function attempt(db, names, mode, work) {
    return new Promise((resolve, reject) => {
      const tx = db.transaction(names, mode, { durability: "strict" });
      let done = nothing;
      tx.oncomplete = () => resolve(done());
      tx.onabort = () => reject(tx.error || new DOMException("The transaction ended", "AbortError"));
      done = work((name) => tx.objectStore(name));
    });
  }

  // A phone that slept may have lost the connection: open it anew and try once more.
  async function within(names, mode, work) {
    try {
      return await attempt(await open(), names, mode, work);
    } catch (error) {
      if (error.kind || !["InvalidStateError", "UnknownError", "AbortError"].includes(error.name)) throw error;
      drop();
      return attempt(await open(), names, mode, work);
    }
  }

  async function writing(names, work, spend = true) {
    try {
      return await within(names, "readwrite", work);
    } catch (error) {
      if (error.name !== "QuotaExceededError") throw error;
      if (!spend) throw failed("full", error);
      try {
        await within(["meta"], "readwrite", (store) => store("meta").delete("ballast") && nothing);
        return await within(names, "readwrite", work);
      } catch (again) {
        throw again.name === "QuotaExceededError" ? failed("full", again) : again;
      }
    }
  }

  function read(name, key) {
    return within([name], "readonly", (store) => {
      const request = store(name).get(key);
      return () => request.result;
    });
  }

  function all(name) {
    return within([name], "readonly", (store) => {
      const request = store(name).getAll();
      return () => request.result;
    });
  }

  // changes: ["put", store, value], ["put", store, value, key] or ["delete", store, key]; all of them, or none.
  // `spend` false: not worth the ballast (a photo; it is kept for words).
  function write(changes, spend = true) {
    return writing([...new Set(changes.map((change) => change[1]))], (store) => {
      for (const [act, name, ...rest] of changes) store(name)[act](...rest);
      return nothing;
    }, spend);
  }

  // One row, read and written in one transaction: `make` gets it (or undefined), gives the new one, or undefined for none.
  function change(name, key, make) {
    return writing([name], (store) => {
      let made;
      const request = store(name).get(key);
      request.onsuccess = () => {
        made = make(request.result);
        if (made !== undefined) store(name).put(made, ...(KEYED.includes(name) ? [] : [key]));
      };
      return () => made;
    });
  }

  async function ballast() {
    if (await read("meta", "ballast")) return;
    const bytes = new Uint8Array(BALLAST);
    for (let at = 0; at < BALLAST; at += 50_000) crypto.getRandomValues(bytes.subarray(at, at + 50_000));
    const put = within(["meta"], "readwrite", (store) => store("meta").put(bytes.buffer, "ballast") && nothing);
    await put.catch(() => {}); // no room for it now
  }

  self.Store = { read, all, write, change, ballast };
})();
