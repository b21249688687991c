// The phone's own store: entries and photos that have not reached the yard's computer yet, and what was sent of late.
//
// entries  {order, id, kind, account, yard, zone, boat, name, page, fields, values, written_at, state, status, sentence}
// photos   {id, entry, kind, account, blob, name, taken_at, added, state, sentence}; entry is a draft's key until saved
// sent     {id, kind, yard, zone, boat, account, sentence, sent_at}
// state is "waiting" or "refused"; nothing is removed but by an answer of the yard's computer or by the person.

const SENT_KEPT = 10;

let opened = null;

function open() {
  opened ??= new Promise((resolve, reject) => {
    const request = indexedDB.open("stormwalk", 1);
    request.onupgradeneeded = () => {
      const entries = request.result.createObjectStore("entries", { keyPath: "order", autoIncrement: true });
      entries.createIndex("id", "id", { unique: true });
      request.result.createObjectStore("photos", { keyPath: "id" }).createIndex("entry", "entry");
      request.result.createObjectStore("sent", { keyPath: "id" });
    };
    request.onsuccess = () => {
      request.result.onversionchange = () => request.result.close();
      resolve(request.result);
    };
    request.onerror = () => {
      opened = null;
      reject(request.error);
    };
  });
  return opened;
}

/** Run `work` in one transaction over all stores; resolves once the disk has it, rejects with nothing changed. */
async function inOneStep(work) {
  const database = await open();
  return new Promise((resolve, reject) => {
    const step = database.transaction(["entries", "photos", "sent"], "readwrite", { durability: "strict" });
    step.oncomplete = () => resolve();
    step.onerror = step.onabort = () => reject(step.error ?? new Error("the store of this browser refused"));
    work(step.objectStore("entries"), step.objectStore("photos"), step.objectStore("sent"));
  });
}

async function all(name) {
  const database = await open();
  return new Promise((resolve, reject) => {
    const request = database.transaction(name).objectStore(name).getAll();
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

/** Entries in the order in which they were written. */
export const entries = () => all("entries");

/** Photos in the order in which they were taken. */
export const photos = async () => (await all("photos")).sort((a, b) => a.added - b.added || (a.id < b.id ? -1 : 1));

/** What was sent of late, the newest first. */
export const sent = async () => (await all("sent")).sort((a, b) => b.sent_at - a.sent_at);

const eachPhotoOf = (photoStore, entry, change) => {
  photoStore.index("entry").openCursor(entry).onsuccess = (event) => {
    const cursor = event.target.result;
    if (cursor) {
      change(cursor);
      cursor.continue();
    }
  };
};

/** Keep an entry, and with it the photos of its draft; `replaces` is a refused entry that it was made from. */
export function saveEntry(entry, draft, replaces) {
  return inOneStep((entryStore, photoStore) => {
    if (replaces) {
      entryStore.put({ ...entry, order: replaces.order });
    } else {
      entryStore.add(entry);
    }
    for (const of of [draft, replaces?.id]) {
      if (of) {
        eachPhotoOf(photoStore, of, (cursor) => cursor.update({ ...cursor.value, entry: entry.id, kind: entry.kind }));
      }
    }
  });
}

/** Keep photos at once, so that a tab closed by the phone loses none. */
export function savePhotos(taken) {
  return inOneStep((_, photoStore) => taken.forEach((photo) => photoStore.put(photo)));
}

/** Note how an entry or a photo fared, without losing what was changed meanwhile. */
export function noteEntry(order, news) {
  return inOneStep((entryStore) => {
    entryStore.get(order).onsuccess = (event) => {
      if (event.target.result) {
        entryStore.put({ ...event.target.result, ...news });
      }
    };
  });
}

export function notePhoto(id, news) {
  return inOneStep((_, photoStore) => {
    photoStore.get(id).onsuccess = (event) => {
      if (event.target.result) {
        photoStore.put({ ...event.target.result, ...news });
      }
    };
  });
}

/** The yard's computer has the entry: it leaves the queue, and is told of for a while. */
export function entryArrived(entry, sentence) {
  return inOneStep((entryStore, _, sentStore) => {
    entryStore.delete(entry.order);
    const { id, kind, yard, zone, boat, account } = entry;
    sentStore.put({ id, kind, yard, zone, boat, account, sentence, sent_at: Date.now() });
    sentStore.getAll().onsuccess = (event) => {
      const old = event.target.result.sort((a, b) => b.sent_at - a.sent_at).slice(SENT_KEPT);
      old.forEach((one) => sentStore.delete(one.id));
    };
  });
}

export function removePhoto(id) {
  return inOneStep((_, photoStore) => photoStore.delete(id));
}

/** Remove an entry with its photos: only after the person was asked. */
export function removeEntry(entry) {
  return inOneStep((entryStore, photoStore) => {
    entryStore.delete(entry.order);
    eachPhotoOf(photoStore, entry.id, (cursor) => cursor.delete());
  });
}
