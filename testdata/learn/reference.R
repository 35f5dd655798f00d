# Makes intervals.tsv and quartiles.tsv with R's own functions, to check package
# learn against a program that shares no code with it. Run in this folder:
#
#     Rscript reference.R
#
# Only base R (stats) is used: binom.test and poisson.test give the intervals of
# Clopper and Pearson and of Garwood, quantile with type 7 the quartiles.

options(digits = 17, scipen = 100)
made <- paste("# Made by reference.R with", R.version.string)
num <- function(x) sprintf("%.15g", x)

out <- c(made, "kind\tx\tn\tconfidence\tlow\thigh")
for (conf in c(0.5, 0.8, 0.9, 0.95, 0.99, 0.999)) {
  for (n in c(1, 2, 5, 10, 29, 100, 1234, 100000))
    for (x in unique(pmin(n, c(0, 1, 2, 5, 17, n %/% 2, n - 1, n)))) {
      i <- binom.test(x, n, conf.level = conf)$conf.int
      out <- c(out, paste("proportion", x, n, paste0(100 * conf, "%"), num(i[1]), num(i[2]), sep = "\t"))
    }
  for (x in c(0, 1, 2, 3, 5, 10, 29, 100, 1234, 100000)) {
    i <- poisson.test(x, conf.level = conf)$conf.int
    out <- c(out, paste("count", x, "-", paste0(100 * conf, "%"), num(i[1]), num(i[2]), sep = "\t"))
  }
}
writeLines(out, "intervals.tsv")

out <- c(made, "values\tlow\tmedian\ttop")
for (v in list(7, c(1, 2), c(3, 1, 2), c(4, 1, 3, 2), c(2.5, 2.5, 9, 1, 4.25), c(12, 3, 8, 8, 1, 40, 5, 9, 2, 7, 6)))
  out <- c(out, paste(paste(v, collapse = " "), paste(num(quantile(v, c(.25, .5, .75), type = 7)), collapse = "\t"), sep = "\t"))
writeLines(out, "quartiles.tsv")

# Exact limits of a p-chart for small subgroups, by the definition.
out <- c(made, "n\tp\tlow\thigh")
t3 <- pnorm(-3)
for (n in c(5, 7, 10, 20, 40)) for (p in c(0.01, 0.05, 0.1, 0.3, 0.9)) {
  if (n * p >= 5 && n * (1 - p) >= 5) next
  hi <- min(which(pbinom(0:n, n, p, lower.tail = FALSE) <= t3)) - 1
  lo <- max(which(c(0, pbinom(0:(n - 1), n, p)) <= t3)) - 1
  out <- c(out, paste(n, p, lo, hi, sep = "\t"))
}
writeLines(out, "plimits.tsv")
