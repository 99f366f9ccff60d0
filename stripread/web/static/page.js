// On every page: times in the phone's own time zone.
"use strict";
{
  const form = new Intl.DateTimeFormat([], {dateStyle: "medium", timeStyle: "short"});
  for (const time of document.querySelectorAll("time[datetime]")) {
    const moment = new Date(time.dateTime);
    if (!Number.isNaN(moment.getTime())) time.textContent = form.format(moment);
  }
}
