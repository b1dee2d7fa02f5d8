-- A transaction sees and writes the rows of one kitchen only, the one that it
-- names in doughrun.kitchen, even where a statement forgets to say which; * is
-- every one, for copies and examinations. That holds for the tables' owner too,
-- but not for a superuser. Kept answers, credentials and the ends of chains are
-- looked for without knowing the kitchen.

-- +goose Up
ALTER TABLE books ENABLE ROW LEVEL SECURITY;
ALTER TABLE books FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON books USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE nights ENABLE ROW LEVEL SECURITY;
ALTER TABLE nights FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON nights USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE orders ENABLE ROW LEVEL SECURITY;
ALTER TABLE orders FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON orders USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE order_lines ENABLE ROW LEVEL SECURITY;
ALTER TABLE order_lines FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON order_lines USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE counts ENABLE ROW LEVEL SECURITY;
ALTER TABLE counts FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON counts USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE count_lines ENABLE ROW LEVEL SECURITY;
ALTER TABLE count_lines FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON count_lines USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE sales ENABLE ROW LEVEL SECURITY;
ALTER TABLE sales FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON sales USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE fits ENABLE ROW LEVEL SECURITY;
ALTER TABLE fits FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON fits USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE plans ENABLE ROW LEVEL SECURITY;
ALTER TABLE plans FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON plans USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE batches ENABLE ROW LEVEL SECURITY;
ALTER TABLE batches FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON batches USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE mixes ENABLE ROW LEVEL SECURITY;
ALTER TABLE mixes FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON mixes USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE lots ENABLE ROW LEVEL SECURITY;
ALTER TABLE lots FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON lots USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE movements ENABLE ROW LEVEL SECURITY;
ALTER TABLE movements FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON movements USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE stocks ENABLE ROW LEVEL SECURITY;
ALTER TABLE stocks FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON stocks USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE holds ENABLE ROW LEVEL SECURITY;
ALTER TABLE holds FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON holds USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE draws ENABLE ROW LEVEL SECURITY;
ALTER TABLE draws FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON draws USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE in_use ENABLE ROW LEVEL SECURITY;
ALTER TABLE in_use FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON in_use USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE dispatches ENABLE ROW LEVEL SECURITY;
ALTER TABLE dispatches FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON dispatches USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE rides ENABLE ROW LEVEL SECURITY;
ALTER TABLE rides FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON rides USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE outages ENABLE ROW LEVEL SECURITY;
ALTER TABLE outages FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON outages USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
ALTER TABLE changes ENABLE ROW LEVEL SECURITY;
ALTER TABLE changes FORCE ROW LEVEL SECURITY;
CREATE POLICY own_kitchen ON changes USING (kitchen = current_setting('doughrun.kitchen', true) OR current_setting('doughrun.kitchen', true) = '*');
