// Forms with data-live="id": while one types, the form is looked at as by its button "check", and what that page says
// under the id takes the place of what stands there. Without this script, the button does it.
for (const form of document.querySelectorAll("form[data-live]")) {
  const place = document.getElementById(form.dataset.live);
  let waiting = 0, asked = 0;
  const ask = async () => {
    const mine = ++asked;
    const fields = new URLSearchParams(new FormData(form));
    fields.set("act", "check");
    try {
      const answer = await fetch(form.action, { method: "POST", body: fields, headers: { Accept: "text/html" } });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const found = page.getElementById(form.dataset.live);
      const wrong = page.querySelector(".wrong p");
      if (mine !== asked || !found) return;
      if (answer.ok || !wrong) place.replaceChildren(...found.childNodes);
      else place.replaceChildren(wrong);
    } catch { /* no network: the button will say so */ }
  };
  form.addEventListener("input", () => { clearTimeout(waiting); waiting = setTimeout(ask, 400); });
}
// Forms with data-look="id", which hold a file: the button of value "look" shows what the page says under the id, and the
// file stays chosen. Without this script it has to be chosen again.
for (const form of document.querySelectorAll("form[data-look]")) {
  form.addEventListener("submit", async (event) => {
    if (event.submitter?.value !== "look") return;
    event.preventDefault();
    const fields = new FormData();
    for (const [name, value] of new FormData(form)) if (name !== "file") fields.append(name, value);
    fields.append("act", "look");
    fields.append("file", form.elements.file.files[0]);
    try {
      const answer = await fetch(form.action, { method: "POST", body: fields, headers: { Accept: "text/html" } });
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const id of [form.dataset.look, "complaint"]) {
        const found = page.getElementById(id);
        if (found) document.getElementById(id).replaceChildren(...found.childNodes);
      }
    } catch { /* no network: nothing is shown, and nothing was sent */ }
  });
}
