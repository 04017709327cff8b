// After a form came back with problems, start at the summary, not at the top of the page.
document.querySelector(".problems")?.focus();
