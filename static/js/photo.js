// Photos, made small on the phone the moment they are picked: at most 150 kB, upright, without the place they were
// taken. self.Photo = {shrink(file), take(files, have, most), show(list, photos, drop)}; Outbox for its digest.
"use strict";
(() => {
  const SMALL = 150_000; // bytes
  const SIDES = [1280, 1024, 800, 640, 480];
  const QUALITIES = [0.8, 0.6, 0.45];
  const LARGEST = 12_000_000; // bytes that the logbook takes of what could not be made smaller here
  const SAID = {
    empty: "That photo is empty. Take it again or skip it.",
    large: "That photo is over 12 MB and cannot be made smaller here. Take it again at a smaller size or skip it.",
    other: "That file is not a photo. Take a photo or skip it.",
    shut: "That photo didn’t open. Take it again or skip it.",
    shown: "This photo cannot be shown here. It will be sent as it is.",
  };
  const shown = [];

  const make = (tag, more = {}) => Object.assign(document.createElement(tag), more);

  // The picture as a browser shows it: turned the way its camera was held.
  async function opened(file) {
    if (self.createImageBitmap) {
      const bitmap = await createImageBitmap(file, { imageOrientation: "from-image" }).catch(() => null);
      if (bitmap) return bitmap;
    }
    const image = make("img", { src: URL.createObjectURL(file) });
    try {
      await image.decode();
      return image;
    } finally {
      URL.revokeObjectURL(image.src);
    }
  }

  function sheet(width, height) {
    return self.OffscreenCanvas ? new OffscreenCanvas(width, height) : make("canvas", { width, height });
  }

  function jpeg(canvas, quality) {
    const type = "image/jpeg";
    if (canvas.convertToBlob) return canvas.convertToBlob({ type, quality });
    return new Promise((resolve) => canvas.toBlob(resolve, type, quality));
  }

  function drawn(picture, side) {
    const [wide, high] = [picture.naturalWidth ?? picture.width, picture.naturalHeight ?? picture.height];
    const scale = Math.min(1, side / Math.max(wide, high));
    const canvas = sheet(Math.max(1, Math.round(wide * scale)), Math.max(1, Math.round(high * scale)));
    const pen = canvas.getContext("2d");
    pen.fillStyle = "#fff"; // what was transparent
    pen.fillRect(0, 0, canvas.width, canvas.height);
    pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
    return canvas;
  }

  // {bytes, type}: a JPEG of the picture, or the file as it is where this browser cannot open it.
  async function shrink(file) {
    let picture;
    try {
      picture = await opened(file);
    } catch {
      return { bytes: await file.arrayBuffer(), type: file.type };
    }
    let blob;
    for (const side of SIDES) {
      const canvas = drawn(picture, side);
      for (const quality of QUALITIES) {
        blob = await jpeg(canvas, quality);
        if (blob.size <= SMALL) break;
      }
      if (blob.size <= SMALL) break;
    }
    picture.close?.();
    return { bytes: await blob.arrayBuffer(), type: "image/jpeg" };
  }

  // One file → {photo} or {words}. `have`: photos of this fault already, each with the digest of what it came `from`.
  async function one(file, have) {
    if (!file.size) return { words: SAID.empty };
    if (file.type && !file.type.startsWith("image/")) return { words: SAID.other };
    try {
      const from = await Outbox.digest(await file.arrayBuffer());
      const same = have.findIndex((photo) => photo.from === from) + 1;
      if (same) return { words: `That is photo ${same} again: it is taken once.` };
      const photo = await shrink(file);
      return photo.bytes.byteLength > LARGEST ? { words: SAID.large } : { photo: { ...photo, from } };
    } catch {
      return { words: SAID.shut };
    }
  }

  // {photos, words} of the files just picked: what is taken of them, and what is said of the others.
  async function take(files, have, most) {
    const photos = [];
    const words = [];
    let over = 0;
    for (const file of files) {
      if (have.length + photos.length >= most) {
        over += 1;
        continue;
      }
      const { photo, words: said } = await one(file, [...have, ...photos]);
      if (photo) photos.push(photo);
      else words.push(said);
    }
    if (over) words.push(`${over === 1 ? "1 photo was" : `${over} photos were`} left out: at most 4 go with a fault.`);
    return { photos, words };
  }

  // The list shows these photos, each with a button that drops it.
  function show(list, photos, drop) {
    for (const url of shown.splice(0)) URL.revokeObjectURL(url);
    list.replaceChildren(...photos.map((photo, place) => {
      const name = `photo ${place + 1}`;
      const url = URL.createObjectURL(new Blob([photo.bytes], { type: photo.type }));
      shown.push(url);
      const image = make("img", { src: url, alt: name });
      image.onerror = () => image.replaceWith(make("p", { textContent: SAID.shown }));
      const button = make("button", { type: "button", textContent: `Remove ${name}`, onclick: () => drop(photo) });
      const item = make("li");
      item.append(image, button);
      return item;
    }));
  }

  self.Photo = { shrink, take, show };
})();
