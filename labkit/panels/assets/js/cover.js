// The switch on the cover of a page that has no kernel.
import theme from "./theme.js";

theme.render({ el: document.querySelector(".lk-theme") });
