"use strict";
// What the scripts of the page share.
const report = {
  // An element with a class and words; words are never markup.
  element(name, className, text) {
    const made = document.createElement(name);
    if (className) made.className = className;
    if (text !== undefined) made.textContent = text;
    return made;
  },
  // Words of the user: their direction follows their own letters.
  words(text) {
    const made = document.createElement("bdi");
    made.textContent = text;
    return made;
  },
};
