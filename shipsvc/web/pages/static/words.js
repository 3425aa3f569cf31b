// Texts that scripts say, in the language of the page; {name} is filled in.
const holder = document.body.dataset.words;
const words = holder ? JSON.parse(holder) : {};

export const say = (text, values = {}) => (words[text] || text).replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
