// All cells are in the page.
window.voila_finish();
