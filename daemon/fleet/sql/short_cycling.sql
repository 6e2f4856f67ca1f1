-- Which sites short-cycle: runs that a control ended, and off-times after them, shorter than the job file's terms.
select c.site,
       c.unit,
       count(*) as ended_by_control,
       sum(case when c.on_s < u.min_run_s then 1 else 0 end) as runs_too_short,
       sum(case when c.off_s < u.min_off_s then 1 else 0 end) as offs_too_short
from cycles c
join units u on u.site = c.site and u.record = c.record and u.unit = c.unit
where c.ended_by = 'control'
group by c.site, c.unit
order by runs_too_short desc, offs_too_short desc, c.site, c.unit
