"""The local web app: thin pages over the packages below; everything it needs lies beside it, nothing is fetched."""
