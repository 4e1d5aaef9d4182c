// On a phone the side menu covers the page: it closes once something was chosen in it.
if (!window.sideMenuCloses) {
  window.sideMenuCloses = true;
  document.addEventListener("click", (event) => {
    if (window.innerWidth < 768 && event.target.closest("[data-testid=stSidebarNavLink]")) {
      setTimeout(() => document.querySelector("[data-testid=stSidebarCollapseButton] button")?.click(), 50);
    }
  });
}
