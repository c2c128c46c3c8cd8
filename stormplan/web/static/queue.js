// Keeps each form on this phone before it is sent, and until it was: what is logged without coverage
// is sent when there is some, also after the page was loaded again or the phone restarted. The key in
// a form makes it count once, however often it is sent. Without this script the forms work as they are.
"use strict";
(() => {
  const RETRY_MS = 20000;
  const OLD_PAGE_MS = 180000;
  const SENT_KEPT_MS = 8 * 86400000;
  const LEAVING_MS = 10000; // longer than the worker waits for a page
  const status = document.getElementById("waiting");
  const { person } = document.body.dataset; // what somebody logged is sent as theirs, or waits
  const isMine = (one) => one.person === person && !one.refused;

  // -- what is kept on the phone ------------------------------------------------------------------

  const opened = new Promise((resolve, reject) => {
    const asked = indexedDB.open("stormplan", 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("waiting", { keyPath: "key" });
      asked.result.createObjectStore("sent", { keyPath: "key" });
    };
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
  const inStore = async (name, mode, ask) => {
    const transaction = (await opened).transaction(name, mode, { durability: "strict" });
    return new Promise((resolve, reject) => {
      const asked = ask(transaction.objectStore(name));
      transaction.oncomplete = () => resolve(asked.result);
      transaction.onabort = () => reject(transaction.error);
    });
  };
  const all = (name) => inStore(name, "readonly", (store) => store.getAll());
  const put = (name, one) => inStore(name, "readwrite", (store) => store.put(one));
  const drop = (name, key) => inStore(name, "readwrite", (store) => store.delete(key));

  // -- what is said -------------------------------------------------------------------------------

  const paragraph = (text) => {
    const made = document.createElement("p");
    made.textContent = text;
    return made;
  };
  let told = "";
  const tell = async (more = told) => {
    told = more;
    const forms = await all("waiting");
    const waiting = forms.filter(isMine);
    const others = forms.filter((one) => one.person !== person);
    const parts = [];
    if (waiting.length) parts.push(paragraph(`${waiting.length} waiting on this phone for coverage`));
    if (others.length) parts.push(paragraph(`${others.length} of ${others[0].person} waiting here: they are sent when that link is opened on this phone`));
    if (more) parts.push(paragraph(more));
    for (const one of forms.filter((each) => each.refused && each.person === person)) {
      const button = document.createElement("button");
      button.textContent = "Put it away";
      button.className = "quiet";
      button.addEventListener("click", async () => { await drop("waiting", one.key); tell(); });
      parts.push(paragraph(`Not logged: ${one.about}. ${one.refused}`), button);
    }
    status.replaceChildren(...parts);
    status.hidden = !parts.length;
  };
  const words = async (reply) => {
    const page = new DOMParser().parseFromString(await reply.text(), "text/html");
    const main = page.querySelector("main") || page.body;
    return main.textContent.replace(/\s+/g, " ").trim().slice(0, 300);
  };

  // -- the page anew ------------------------------------------------------------------------------

  // A page that somebody chose meanwhile comes instead. iOS tells of no unload, so a tapped link
  // counts too; what has not come by then came to nothing.
  let leftAt = -LEAVING_MS;
  const leave = () => { leftAt = performance.now(); };
  addEventListener("beforeunload", leave);
  document.addEventListener("click", (event) => { if (event.target.closest("a[href]")) leave(); });
  const renew = () => {
    const stays = performance.now() - leftAt >= LEAVING_MS;
    if (stays) location.reload();
    return stays;
  };

  // -- sending ------------------------------------------------------------------------------------

  const post = (one) => {
    const page = document.querySelector("input[name=token]");
    const fields = one.fields.map(([name, value]) => [name, name === "token" && page ? page.value : value]);
    let body = new URLSearchParams(fields);
    if (one.photo) {
      body = new FormData();
      for (const [name, value] of fields) body.append(name, value);
      body.append("photo", one.photo, one.photo.name || "photo");
    }
    return fetch("/entry", { method: "POST", credentials: "same-origin", body });
  };
  // Returns the reply, or null where there was none that settles it.
  const send = async (one) => {
    let reply;
    try {
      reply = await post(one);
    } catch (error) {
      return null; // no coverage: it stays
    }
    if (reply.ok) {
      await put("sent", { key: one.key, at: Date.now() });
      await drop("waiting", one.key);
    }
    return reply.status === 429 || reply.status >= 500 ? null : reply;
  };
  const tapped = new Set(); // keys of forms that a tap is sending
  let isSending = false;
  const sendWaiting = async () => {
    if (isSending) return;
    isSending = true;
    let refusal = "", count = 0;
    try {
      const forms = (await all("waiting")).filter((one) => isMine(one) && !tapped.has(one.key));
      for (const one of forms.sort((first, second) => first.at - second.at)) {
        const reply = await send(one);
        if (!reply) break;
        if (reply.status === 403) { refusal = "Open your link again, then this is sent"; break; }
        if (reply.ok) count += 1;
        else await put("waiting", { ...one, refused: await words(reply) });
      }
    } finally {
      isSending = false;
    }
    if (refusal || count) await tell(refusal);
    else await tell();
    await mark();
    return count;
  };

  // -- forms --------------------------------------------------------------------------------------

  const newKey = () => [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  const read = (form, button) => {
    const data = new FormData(form);
    if (button && button.name) data.set(button.name, button.value);
    data.set("at", new Date().toISOString());
    if (!form.closest(".item")) data.set("key", newKey()); // a page that was kept has one key for many
    const photo = data.get("photo");
    data.delete("photo");
    return {
      key: data.get("key"),
      at: Date.now(),
      fields: [...data.entries()],
      photo: photo instanceof File && photo.size ? photo : null,
      person,
      about: `${data.get("form")} ${data.get("surface") || data.get("store") || data.get("site") || ""}`.trim(),
      refused: "",
    };
  };
  const isBusy = (form, is) => { for (const one of form.querySelectorAll("button")) one.disabled = is; };

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.classList.contains("log")) return;
    event.preventDefault();
    const one = read(form, event.submitter);
    tapped.add(one.key);
    isBusy(form, true);
    try {
      await put("waiting", one);
    } catch (error) { // this phone keeps nothing: sent as a plain form
      if (event.submitter && event.submitter.name) {
        const field = document.createElement("input");
        Object.assign(field, { type: "hidden", name: event.submitter.name, value: event.submitter.value });
        form.append(field);
      }
      form.submit();
      return;
    }
    const reply = await send(one);
    tapped.delete(one.key); // without coverage it waits from now on
    if (reply && reply.ok) {
      const said = (await words(reply)).replace(/ Back$/, "");
      sessionStorage.setItem("stormplan-told", said); // the page that comes tells it
      if (renew()) return;
      form.reset();
      isBusy(form, false);
      await tell(said);
      await mark();
    } else if (reply && reply.status !== 403) {
      await drop("waiting", one.key);
      isBusy(form, false);
      await tell(await words(reply));
      status.scrollIntoView();
    } else {
      const isOfItem = form.closest(".item") !== null; // it is done then, and its form goes
      if (!isOfItem) { // free for the next before this one is said to wait
        form.reset();
        isBusy(form, false);
      }
      await tell(reply ? "Open your link again, then this is sent" : "");
      await mark();
      if (!isOfItem) status.scrollIntoView();
    }
  });

  // A visit that was logged here says so, also on a page that was kept from before.
  const mark = async () => {
    const waiting = new Set((await all("waiting")).map((one) => one.key));
    const sent = new Set((await all("sent")).map((one) => one.key));
    for (const form of document.querySelectorAll(".item form.log")) {
      const { key } = form.elements;
      const is = key && (waiting.has(key.value) ? "Kept on this phone; it is sent when there is coverage." : sent.has(key.value) ? "✓ Sent." : "");
      if (!is) continue;
      const item = form.closest(".item");
      for (const each of item.querySelectorAll("form, details")) each.remove();
      const said = paragraph(is);
      said.className = "done";
      item.append(said);
    }
    for (const said of document.querySelectorAll(".item > p.done")) {
      if (!waiting.size && said.textContent.startsWith("Kept")) said.textContent = "✓ Sent.";
    }
  };

  const begin = async () => {
    const age = Date.now() - new Date(document.body.dataset.servedAt).getTime();
    if (age > OLD_PAGE_MS) {
      const said = document.getElementById("age");
      said.textContent = `Without coverage: this page is from ${new Date(document.body.dataset.servedAt).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" })}.`;
      said.hidden = false;
    }
    const said = sessionStorage.getItem("stormplan-told") || "";
    sessionStorage.removeItem("stormplan-told");
    for (const one of await all("sent")) {
      if (Date.now() - one.at > SENT_KEPT_MS) await drop("sent", one.key);
    }
    await tell(said);
    await mark();
    if (await sendWaiting() && !renew()) await tell(said);
  };

  if ("serviceWorker" in navigator && isSecureContext) {
    navigator.serviceWorker.register("/worker.js");
    navigator.serviceWorker.ready.then((ready) => {
      const pages = [...document.querySelectorAll("nav a")].map((one) => one.pathname).filter((path) => path !== "/notices");
      ready.active.postMessage({ person, pages: [...pages, "/static/pages.css", "/static/queue.js"] });
    });
  }
  addEventListener("online", sendWaiting);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) sendWaiting(); });
  setInterval(sendWaiting, RETRY_MS);
  begin();
})();
