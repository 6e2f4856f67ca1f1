-- Which models of protector open early: openings that neither current nor temperature explains, of all their openings.
select u.protector_model,
       count(*) as trips,
       sum(case when c.cause = 'early' then 1 else 0 end) as early,
       sum(case when c.cause = 'undetermined' then 1 else 0 end) as undetermined,
       count(distinct c.site) as sites
from cycles c
join units u on u.site = c.site and u.record = c.record and u.unit = c.unit
where c.ended_by = 'protector'
group by u.protector_model
order by early desc, trips desc, u.protector_model nulls last
