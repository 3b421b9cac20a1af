// Searches the index that was built with the record. Words are folded as the index folds them.
"use strict";
(() => {
  const index = window.recordIndex;
  const form = document.getElementById("ask");
  const input = document.getElementById("q");
  const list = document.getElementById("found");
  const count = document.getElementById("count");
  if (!index || !form) return;
  const all = Object.keys(index.words);
  const fold = (text) =>
    (text.toLowerCase().replace(/ß/g, "ss").normalize("NFKD").replace(/\p{M}/gu, "").match(/[\p{L}\p{N}]+(?:-[\p{L}\p{N}]+)*/gu) || []);

  // The documents that have a word, or a word that begins with it; a whole word weighs more.
  const having = (word) => {
    const weights = new Map();
    for (const known of all) {
      if (!known.startsWith(word)) continue;
      const weight = known === word ? 2 : 1;
      for (const doc of index.words[known]) weights.set(doc, Math.max(weight, weights.get(doc) || 0));
    }
    return weights;
  };

  const search = () => {
    const words = fold(input.value);
    list.replaceChildren();
    count.textContent = "";
    if (!words.length) return;
    const each = words.map(having);
    const hits = [...each[0].keys()]
      .filter((doc) => each.every((weights) => weights.has(doc)))
      .map((doc) => [doc, each.reduce((sum, weights) => sum + weights.get(doc), 0)])
      .sort((a, b) => b[1] - a[1] || a[0] - b[0]);
    count.textContent = hits.length ? `${hits.length} ${count.dataset.found}` : count.dataset.none;
    for (const [doc] of hits.slice(0, 100)) {
      const [title, address, text] = index.docs[doc];
      const item = document.createElement("li");
      const link = document.createElement("a");
      link.href = address;
      link.textContent = title;
      const more = document.createElement("span");
      more.className = "when";
      more.textContent = text;
      item.append(link, more);
      list.append(item);
    }
  };

  form.hidden = false;
  form.addEventListener("submit", (event) => event.preventDefault());
  input.addEventListener("input", search);
  const asked = new URLSearchParams(location.search).get("q");
  if (asked) { input.value = asked; search(); }
})();
