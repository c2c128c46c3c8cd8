// Keeps a form that could not be sent on this phone, and sends it once there is coverage. The key in
// the form makes it count once, however often it is sent. Without this script the forms work as they are.
"use strict";
(() => {
  const STORE = "stormplan-waiting";
  const status = document.getElementById("waiting");
  const waiting = () => JSON.parse(localStorage.getItem(STORE) || "[]");
  const keep = (forms) => localStorage.setItem(STORE, JSON.stringify(forms));
  let sending = false;

  const tell = (more) => {
    const count = waiting().length;
    status.hidden = !count && !more;
    status.textContent = [count ? `${count} waiting on this phone for coverage` : "", more || ""].filter(Boolean).join(". ");
  };

  const post = (body) => fetch("/entry", {
    method: "POST", credentials: "same-origin",
    headers: { "Content-Type": "application/x-www-form-urlencoded" }, body,
  });

  const sendWaiting = async () => {
    if (sending) return;
    sending = true;
    let told = "";
    try {
      while (waiting().length) {
        const first = waiting()[0];
        const fields = new URLSearchParams(first.body);
        const page = document.querySelector("input[name=token]");
        if (page) fields.set("token", page.value);
        const reply = await post(fields.toString());
        if (reply.status === 429 || reply.status >= 500) break;
        if (reply.status === 403) { told = "Open your link again, then this is sent"; break; }
        if (!reply.ok) told = "One was refused: log it again";
        keep(waiting().filter((one) => one.key !== first.key));
      }
    } catch (error) {
      // no coverage yet; it stays
    } finally {
      sending = false;
      tell(told);
    }
  };

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!form.classList.contains("log")) return;
    event.preventDefault();
    const data = new FormData(form);
    const button = event.submitter;
    if (button && button.name) data.set(button.name, button.value);
    const now = new Date().toISOString();
    data.set("at", now);
    const body = new URLSearchParams(data).toString();
    for (const one of form.querySelectorAll("button")) one.disabled = true;
    try {
      const reply = await post(body);
      if (reply.ok) { location.assign(form.closest(".item") ? "/work" : "/"); return; }
      tell(new DOMParser().parseFromString(await reply.text(), "text/html").body.textContent.replace(/\s+/g, " ").slice(0, 300));
      status.scrollIntoView();
      for (const one of form.querySelectorAll("button")) one.disabled = false;
    } catch (error) {
      keep([...waiting(), { key: data.get("key"), body }]);
      form.replaceChildren("Kept on this phone; it is sent when there is coverage.");
      tell();
    }
  });

  addEventListener("online", sendWaiting);
  setInterval(sendWaiting, 20000);
  tell();
  sendWaiting();
})();
