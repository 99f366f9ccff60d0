// On every page: times in the device's own time zone, unless the account has chosen one: then the server wrote them in it.
"use strict";
if (!document.documentElement.dataset.zone) {
  const form = new Intl.DateTimeFormat("en-GB", {day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit"});
  for (const time of document.querySelectorAll("time[datetime*=T]")) {
    const moment = new Date(time.dateTime);
    if (!Number.isNaN(moment.getTime())) time.textContent = form.format(moment);
  }
}
